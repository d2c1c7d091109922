"""The start: where things stand, and what comes next."""

from __future__ import annotations

from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.live_plot import live_plot
from steelyard.screen.pages.parts import notice, section
from steelyard.screen.pages.watching import follow


def today_page(bench: Bench) -> None:
    """Build the page."""
    with frame(bench, "Today", "/"):
        follow(lambda: _state(bench), lambda: _standing(bench))
        live_plot()


def _state(bench: Bench) -> list[object]:
    return [_calibration(bench), bench.desk.stopped]


def _standing(bench: Bench) -> None:
    with section("Where things stand"):
        if bench.desk.stopped:
            notice("bad", f"STOPPED at {bench.desk.stopped}. Go on when all is well.")
        kind, words = _calibration(bench)
        notice(kind, words)


def _calibration(bench: Bench) -> tuple[str, str]:
    """How far the readings may be trusted, in a sign and a line."""
    load = bench.desk.profile.channels.load
    channels = bench.desk.feed.state.metadata.get("channels", [])
    state = next((one["calibration"] for one in channels if one["channel"] == load), None)
    if state is None:
        return "plain", "The box has not said yet what it is."
    due = state.get("due_on") or "no date"
    return {
        "in_force": ("good", f"The load cell is calibrated; due again on {due}."),
        "undated": ("good", "The load cell is calibrated; no day is set for the next time."),
        "overdue": ("care", f"The calibration was due on {due}. Its uncertainty grows."),
        "refused": ("bad", f"The calibration is not for this sensor: {state.get('reason', '')}"),
        "none": ("bad", "The load cell is not calibrated: raw counts, no torque."),
    }[state["state"]]
