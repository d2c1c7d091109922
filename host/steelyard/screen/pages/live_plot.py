"""The live picture on operator pages: the very one that the client's display draws."""

from __future__ import annotations

from steelyard.screen.pages.parts import box, section, text


def live_plot(title: str = "The client's picture, live") -> None:
    """A part of the page that the script of the live data draws into."""
    with (
        section(title, "wide"),
        box("div", "live-plot", id="live-plot", role="img", aria_label="Torque against angle"),
    ):
        box("canvas", "ground")
        box("canvas", "trace")
        text("p", "NOT LIVE", "veil")
