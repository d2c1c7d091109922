"""Recordings: the one that goes on, and those that are over."""

from __future__ import annotations

from datetime import datetime

from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.parts import box, empty, facts, notice, section, text
from steelyard.screen.pages.watching import follow

SHOWN = 100


def recordings_page(bench: Bench) -> None:
    """Build the page."""
    feed = bench.desk.feed
    with frame(bench, "Recordings", "/recordings"):
        follow(lambda: feed.state.recording, lambda: _going_on(bench))
        follow(lambda: [str(path) for path in bench.desk.reviewing.names()], lambda: _list(bench))


def _going_on(bench: Bench) -> None:
    state = bench.desk.feed.state.recording
    with section("Now"):
        if not state.get("on"):
            empty("Nothing is being recorded.", "A visit records by itself from its beginning.")
            return
        notice("good", f"Recording {state['file']}.")
        facts(
            {
                "time": f"{state['seconds']:.0f} s",
                "size": f"{state['size_bytes'] / 1e6:.2f} MB",
                "samples": str(state["samples_total"]),
                "missing": str(state["samples_missing_total"]),
            }
        )
        if state["problem"]:
            notice("bad", state["problem"])


def _list(bench: Bench) -> None:
    going_on = bench.desk.feed.state.recording
    now = going_on.get("file") if going_on.get("on") else None
    with section("On this computer", "wide"):
        paths = bench.desk.reviewing.names()
        if not paths:
            empty("There is no recording yet.", "Begin a visit; it is recorded whole.")
        with box("ul", "plain-list"):
            for path in paths[:SHOWN]:
                told = path.stat()
                with box("li"):
                    text("span", path.stem)
                    when = datetime.fromtimestamp(told.st_mtime)
                    text("span", f"{when:%d %b %Y %H:%M} · {told.st_size / 1e6:.1f} MB", "quiet")
                    if path.name == now:
                        text("span", "being recorded")
                    else:
                        text(
                            "a",
                            "Review",
                            "act quiet",
                            href=f"/review/{path.stem}",
                            aria_label=f"Review {path.stem}",
                        )
