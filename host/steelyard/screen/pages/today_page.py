"""The start: where things stand, and what comes next."""

from __future__ import annotations

from datetime import date

from steelyard.calibration.in_service import moment
from steelyard.errors import SteelyardError
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.live_plot import live_plot
from steelyard.screen.pages.parts import box, button, notice, section, text
from steelyard.screen.pages.refusals import guarded
from steelyard.screen.pages.watching import follow
from steelyard.screen.pages.weight_page import ADVICE
from steelyard.screen.visit.coach import MANNERS


def today_page(bench: Bench) -> None:
    """Build the page."""
    desk = bench.desk
    with frame(bench, "Today", "/"):
        follow(lambda: _state(bench), lambda: _standing(bench))
        follow(lambda: desk.operator, lambda: _operator(bench))
        if desk.coach is not None:
            follow(lambda: desk.coach and desk.coach.manner, lambda: _rehearsal(bench))
        live_plot()


def _state(bench: Bench) -> list[object]:
    desk = bench.desk
    return [
        _calibration(bench),
        desk.halted,
        desk.client_code,
        desk.visits.visit is None,
        desk.weights.changes_total,
    ]


def _standing(bench: Bench) -> None:
    desk = bench.desk
    with section("Where things stand"):
        if desk.halted:
            notice("bad", "STOP was pressed. Go on when all is well.")
            button("All is well: go on", lambda: setattr(desk, "halted", False))
        kind, words = _calibration(bench)
        notice(kind, words)
        if kind in ("good", "care"):
            _check(bench)
        if desk.visits.trouble:
            notice("bad", desk.visits.trouble)
        if desk.visits.visit is not None:
            notice("plain", f"A visit of {desk.visits.visit.client_code} is going on.")
            text("a", "Go on with the visit", "act main", href="/visit", data_key="next")
        else:
            text("a", "Choose the client", "act main", href="/client", data_key="next")


def _check(bench: Bench) -> None:
    """Whether the check weight was read today, and what it said."""
    try:
        found = bench.desk.weights.last_check()
    except SteelyardError as error:
        notice("bad", str(error))
        return
    if found is not None and moment(found.check.taken_at).astimezone().date() == date.today():
        kind, words = ADVICE[found.state]
        notice(kind, f"Check weight, today: {words}")
    else:
        notice("plain", "The check weight has not been read today.")
        text("a", "Check with the weight", "act quiet", href="/weight")


def _operator(bench: Bench) -> None:
    desk = bench.desk
    form = Form(initials=desk.operator)

    def sign_on() -> None:
        if not form["initials"]:
            raise SteelyardError("No initials were typed.", "Type two or three letters.")
        desk.sign_on(form["initials"])

    with section("Who works here now"):
        form.field("initials", "Initials", "They stand beside every entry.", size="8")
        with box("div", "row"):
            button("Sign on", guarded(sign_on), "quiet")
            if desk.operator:
                button("Sign off", guarded(lambda: desk.sign_on("")), "quiet")
        if desk.operator:
            notice("good", f"{desk.operator} is signed on.")
        else:
            notice("care", "Nobody is signed on: records can be read, not written.")


def _rehearsal(bench: Bench) -> None:
    coach = bench.desk.coach
    if coach is None:
        return
    with section("Rehearsal"):
        text(
            "p",
            "The client is a virtual one and does what the screen asks, in a manner of"
            " your choice. It may change at any moment.",
        )
        with box("div", "row", role="group", aria_label="Manner of the virtual client"):
            for manner, meaning in MANNERS.items():
                chosen = "main" if manner == coach.manner else "quiet"
                made = button(
                    manner, lambda manner=manner: coach.behave(manner), chosen, title=meaning
                )
                made.props["aria-pressed"] = "true" if manner == coach.manner else "false"
        text("p", f"Now: {MANNERS.get(coach.manner, coach.manner)}.", "quiet")


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
