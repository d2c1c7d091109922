"""What is around every operator page: name, places to go, live state, the big stop."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from nicegui import ui

from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.parts import box, notice, text
from steelyard.screen.pages.watching import follow

PLACES: Final = (
    ("/", "Today"),
    ("/client", "Client"),
    ("/weight", "Check weight"),
    ("/visit", "Visit"),
    ("/recordings", "Recordings"),
    ("/calibrate", "Calibration"),
    ("/box", "Box"),
    ("/screens", "Screens"),
)
STOP_PATH: Final = "/stop"
KEYS: Final = (
    ("→, Page Down, Enter on nothing, or a foot switch that sends one of them", "next"),
    ("←, Page Up", "back, or undo"),
    ("Escape", "STOP"),
    ("F1 or ?", "this list"),
    ("Alt + 1 … 8", "the pages, from left to right"),
)
_HEAD: Final = """
<link rel="stylesheet" href="/display/colours.css">
<link rel="stylesheet" href="/desk/pages.css">
<script type="module" src="/desk/operator.js"></script>
"""


@contextmanager
def frame(bench: Bench, title: str, here: str) -> Iterator[None]:
    """An operator page; what is made inside the block is its content."""
    ui.page_title(f"{title} · Steelyard")
    ui.add_head_html(_HEAD)
    text("a", "To the content", "skip", href="#content")
    with box("header", "top"):
        _live_line(bench)
        with box("nav", "places", aria_label="Pages"):
            for number, (address, name) in enumerate(PLACES, 1):
                link = text("a", name, href=address, data_place=str(number))
                if address == here:
                    link.props["aria-current"] = "page"
    with box("div", "", id="content"):  # the UI library's page is the main landmark already
        text("h1", title)
        follow(lambda: _stopped(bench), lambda: _tell_stop(bench, here))
        yield
    _help()
    box("div", "told", id="told", role="alert", aria_live="assertive")


def _stopped(bench: Bench) -> list[bool]:
    visit = bench.desk.visits.visit
    return [bench.desk.halted, visit is not None and bool(visit.stopped)]


def _tell_stop(bench: Bench, here: str) -> None:
    """Whatever page is open says that STOP has arrived, and where it is released."""
    for stopped, address in zip(_stopped(bench), ("/", "/visit"), strict=True):
        if stopped and here != address:
            notice("bad", "STOP was pressed.")
            name = dict(PLACES)[address]
            text("a", f"Go on from there: {name}", "act main", href=address)


def _live_line(bench: Bench) -> None:
    # Not by the UI library's socket: a stop has to arrive from a page that is being left, too.
    text("button", "STOP", "act danger stop", type="button", data_key="stop", data_post=STOP_PATH)
    with box("div", "state"):
        text("span", bench.desk.profile.name, "machine")
        text("span", "NOT LIVE", "live-badge", data_live="badge", role="status")
        text("span", "", "live-why", data_live="why")
        with box("span", "readings", aria_hidden="true"):
            text("span", "", data_live="torque")
            text("span", "", data_live="angle")
        text("span", "", "alarm", data_live="alarm", role="alert")
        if bench.desk.coach is not None:
            text("span", "REHEARSAL: a virtual client", "rehearsal")


def _help() -> None:
    with box("dialog", "help", id="help", aria_labelledby="help-title"):
        text("h2", "Keys", id="help-title")
        with box("dl", "facts"):
            for keys, meaning in KEYS:
                with box("div"):
                    text("dt", keys)
                    text("dd", meaning)
        with box("form", method="dialog"):
            text("button", "Close", "act", type="submit")
