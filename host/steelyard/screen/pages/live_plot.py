"""The live picture on operator pages: the very one that the client's display draws."""

from __future__ import annotations

from steelyard.screen.pages.parts import box, section, text


def live_plot(kind: str = "wide") -> None:
    """A part of the page that the script of the live data draws into.

    ``kind``: wide, or beside, for a narrow place beside what is done now.
    """
    with (
        section("The client's picture, live", kind),
        box("div", "live-plot", id="live-plot", role="img", aria_label="Torque against angle"),
    ):
        box("canvas", "ground")
        box("canvas", "trace")
        text("p", "NOT LIVE", "veil")
