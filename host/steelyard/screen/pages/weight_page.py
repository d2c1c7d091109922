"""Check weight: one known weight before the day, and what all checks so far say."""

from __future__ import annotations

from typing import Final

from nicegui import ui

from steelyard.calibration.check_log import JudgedCheck
from steelyard.calibration.daily_check import BASE, CheckState
from steelyard.errors import ActionRefusedError, SteelyardError
from steelyard.screen.hanging.weight_desk import WeightJob
from steelyard.screen.hanging.weight_orders import Purpose, WeightsTyped, check_order
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.check_chart import check_chart
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.hanging_panel import (
    caution,
    elsewhere,
    hanging_panel,
    hanging_state,
    weight_fields,
)
from steelyard.screen.pages.parts import box, button, empty, facts, notice, section, table, text
from steelyard.screen.pages.refusals import guarded
from steelyard.screen.pages.watching import follow

SHOWN_CHECKS: Final = 15
MINUTE: Final = len("2026-01-01 09:00")
ADVICE: Final = {
    CheckState.SOUND: ("good", "Sound. Take the weight off; the day can begin."),
    CheckState.DRIFTING: (
        "care",
        "Drifting. Hang the weight afresh and check once more. If it says the same: today can be "
        "measured, and the machine is to be calibrated again soon.",
    ),
    CheckState.OUT: (
        "bad",
        "Out. Do not measure. Look for what touches or is loose, and whether this is the right "
        "weight; check once more. If it says the same: calibrate.",
    ),
}


def weight_page(bench: Bench) -> None:
    """Build the page."""
    weights = bench.desk.weights
    with frame(bench, "Check weight", "/weight"):
        follow(lambda: hanging_state(bench, Purpose.CHECK), lambda: _now(bench))
        follow(lambda: [weights.changes_total, weights.box_id], lambda: _days(bench))


def _now(bench: Bench) -> None:
    job = bench.desk.weights.job
    if job is None or (job.order.purpose is not Purpose.CHECK and not bench.desk.weights.going_on):
        _form(bench)
    elif job.order.purpose is not Purpose.CHECK:
        elsewhere(job)
    elif job.check is not None and job.is_over:
        _result(bench, job.check)
    elif job.refusal:
        _refused(bench, job)
    else:
        hanging_panel(bench, job)


# --- before ---------------------------------------------------------------------------------------


def _form(bench: Bench) -> None:
    with section("Today's check"):
        try:
            calibration = bench.desk.weights.calibration()
        except SteelyardError as error:
            notice("bad", str(error))
            return
        if calibration is None:
            empty("No calibration is in force, so there is nothing to check.", "Calibrate first.")
            text("a", "Calibrate", "act main", href="/calibrate", data_key="next")
            return
        if bench.desk.why_no_weights:
            notice("care", f"{bench.desk.why_no_weights} Weights can be hung after it.")
        if not bench.desk.operator:
            notice("care", "Sign on first (page Today): a check bears initials.")
        form = Form()
        form.values = bench.desk.weights.typed.setdefault(Purpose.CHECK, _usual(bench))
        text("p", "Read without load, with one known weight, and without load again: one minute.")
        form.field("loads", "Weight, kg", "One load, such as 20 or 10+10; always the same one.")
        with box("div", "fields"):
            weight_fields(form)
        button("Begin the check", guarded(lambda: _begin(bench, form)), "main", key="next")
        caution()


def _usual(bench: Bench) -> dict[str, str]:
    """What was hung last time; else nothing."""
    last = bench.desk.weights.last_check()
    if last is None or "hanger" in last.check.weights:
        return {"oiml_class": "M1"}
    masses = (name.partition(" kg")[0] for name in last.check.weights)
    return {"loads": "+".join(masses), "oiml_class": "M1"}


def typed_weights(form: Form) -> WeightsTyped:
    """The weights as they were typed into a form.  Raises SteelyardError."""
    return WeightsTyped(
        form["loads"],
        form["oiml_class"],
        form.number("tolerance", "the tolerance"),
        form.number("hanger", "the hanger"),
    )


def _begin(bench: Bench, form: Form) -> None:
    weights = bench.desk.weights
    calibration = weights.calibration()
    if calibration is None:
        raise ActionRefusedError("No calibration is in force.", "Calibrate first.")
    weights.begin(check_order(typed_weights(form), calibration), bench.desk.operator)


# --- after ----------------------------------------------------------------------------------------


def _refused(bench: Bench, job: WeightJob) -> None:
    with section("Not taken"):
        notice("bad", job.refusal)
        text("p", "Nothing was written down.")
        button("Begin anew", guarded(bench.desk.weights.give_up), "main", key="next")


def _result(bench: Bench, found: JudgedCheck) -> None:
    with section("Today's check"):
        verdict(found)
        with box("div", "row"):
            if found.state is CheckState.SOUND:
                button("Done", guarded(lambda: _done(bench)), "main", key="next")
            else:
                again = guarded(bench.desk.weights.give_up)
                button("Check once more", again, "main", key="next")
                text("a", "Calibrate", "act quiet", href="/calibrate")


def _done(bench: Bench) -> None:
    bench.desk.weights.give_up()
    ui.navigate.to("/")


def verdict(found: JudgedCheck) -> None:
    """What a check came to, what to do, and its figures."""
    kind, words = ADVICE[found.state]
    notice(kind, words)
    for reason in found.reasons:
        text("p", f"Why: {reason}.")
    check, load = found.check, found.check.load
    facts(
        {
            "known": f"{load.reference:.2f} {check.unit} ({load.mass_kg:g} kg)",
            "indicated": f"{load.indicated:.2f} {check.unit}",
            "error": f"{load.error:+.3f} ± {load.expanded_uncertainty:.3f} {check.unit}",
            "zero came back within": f"{100.0 * check.zero_return_relative:.3f} % of the span",
            "check on this calibration": f"no. {len(found.series)}",
        }
    )
    text("p", "± is the expanded uncertainty (95 %).", "quiet")


def _days(bench: Bench) -> None:
    with section("All checks of this weight"):
        try:
            found = bench.desk.weights.last_check()
        except SteelyardError as error:
            notice("bad", str(error))
            return
        if found is None:
            empty("The calibration in force has not been checked yet.", "Begin today's check.")
            return
        if found.charts.individuals is None:
            text(
                "p",
                f"{len(found.series)} of {BASE} checks that limits are made of. Until then only "
                "the error itself is judged, against its uncertainty.",
            )
        check_chart(found)
        rows = [
            [
                one.taken_at.replace("T", " ")[:MINUTE],
                f"{one.load.error:+.3f} {one.unit}",
                f"{one.load.expanded_uncertainty:.3f} {one.unit}",
                "within" if one.load.agrees else "BEYOND",
            ]
            for one in reversed(found.series[-SHOWN_CHECKS:])
        ]
        table("Latest first", ["when (UTC)", "error", "± (95 %)", "uncertainty"], rows)
