"""Calibration with test weights: what is in force, what to type, what to hang, what came out."""

from __future__ import annotations

import asyncio
from typing import Final

from nicegui import ui

from steelyard.calibration.comparison import Comparison, compare
from steelyard.calibration.history import Act, Entry
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.certificate.issue import issue_certificate
from steelyard.errors import SteelyardError
from steelyard.screen.hanging.in_force import now_text
from steelyard.screen.hanging.weight_desk import WeightJob
from steelyard.screen.hanging.weight_orders import CalibrationTyped, Purpose, calibration_order
from steelyard.screen.pages.bench import Bench
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
from steelyard.screen.pages.refusals import guarded, tell
from steelyard.screen.pages.watching import follow
from steelyard.screen.pages.weight_page import typed_weights

SHOWN_ENTRIES: Final = 20
USUAL: Final = {
    "oiml_class": "M1",
    "runs": "3",
    "exercises": "3",
    "gravity_u": "0.0005",
    "height": "0",
    "arm_u": "0.0005",
    "arm_degrees": "0",
    "arm_degrees_u": "0.5",
    "valid_days": "365",
}
DISCLAIMER: Final = "An in-house calibration, not an accredited one; not a medical device."


def calibrate_page(bench: Bench) -> None:
    """Build the page."""
    weights = bench.desk.weights
    with frame(bench, "Calibration", "/calibrate"):
        follow(lambda: hanging_state(bench, Purpose.CALIBRATION), lambda: _now(bench))
        follow(lambda: [weights.changes_total, weights.box_id], lambda: _standing(bench))


def _now(bench: Bench) -> None:
    weights = bench.desk.weights
    job = weights.job
    if job is None or (job.order.purpose is not Purpose.CALIBRATION and not weights.going_on):
        _broken_off(bench)
        _form(bench)
    elif job.order.purpose is not Purpose.CALIBRATION:
        elsewhere(job)
    elif job.replaced is not None and job.is_over:
        _result(bench, job)
    elif job.refusal:
        _refused(bench, job)
    else:
        hanging_panel(bench, job)


# --- before ---------------------------------------------------------------------------------------


def _broken_off(bench: Bench) -> None:
    weights = bench.desk.weights
    if weights.broken is None:
        if weights.trouble:
            notice("care", weights.trouble)
        return
    with section("A calibration broke off", "wide"):
        notice("care", weights.broken.text())
        with box("div", "row"):
            go_on = guarded(lambda: weights.go_on(bench.desk.operator))
            button("Go on with it", go_on, "main", key="next")
            button("Throw it away", guarded(weights.throw_away), "quiet")


def _form(bench: Bench) -> None:
    form = Form()
    form.values = bench.desk.weights.typed.setdefault(Purpose.CALIBRATION, dict(USUAL))
    with section("Calibrate with test weights"):
        if bench.desk.why_no_weights:
            notice("care", f"{bench.desk.why_no_weights} Weights can be hung after it.")
        if not bench.desk.operator:
            notice("care", "Sign on first (page Today): a calibration bears initials.")
        form.field(
            "loads",
            "Loads, kg",
            "Rising, with commas; sums by +: 5,10,10+5,20,20+5. Five or more loads are best.",
        )
        with box("div", "fields"):
            weight_fields(form)
            form.field("runs", "Runs", "Three show how well they repeat.", inputmode="numeric")
            form.field("exercises", "Greatest load put on before, times", inputmode="numeric")
        text("h3", "Where the machine stands")
        with box("div", "fields"):
            form.field("latitude", "Latitude, °", inputmode="decimal")
            form.field("height", "Height above the sea, m", inputmode="decimal")
            form.field("gravity", "Or: gravity, m/s²", inputmode="decimal")
            form.field("gravity_u", "Its standard uncertainty, m/s²", inputmode="decimal")
        _arm_fields(form)
        text("h3", "Kept with it")
        with box("div", "fields"):
            form.field("temperature", "Temperature, °C", inputmode="decimal")
            form.field("valid_days", "Due again after, days", inputmode="numeric")
            form.field("note", "Note")
        first = bench.desk.weights.broken is None  # else one may be gone on with
        button(
            "Begin the calibration",
            guarded(lambda: _begin(bench, form)),
            "main" if first else "quiet",
            key="next" if first else "",
        )
        caution()
        text("p", DISCLAIMER, "quiet")


def _arm_fields(form: Form) -> None:
    text("h3", "Only where weights hang on the movement arm (then torque is calibrated)")
    with box("div", "fields"):
        form.field("arm", "Distance from the axis, m", "Empty: on the cell, force.")
        form.field("arm_u", "Its standard uncertainty, m", inputmode="decimal")
        form.field("arm_degrees", "Arm from level, °", inputmode="decimal")
        form.field("arm_degrees_u", "Its standard uncertainty, °", inputmode="decimal")


def _begin(bench: Bench, form: Form) -> None:
    def number(name: str, meaning: str, usual: float) -> float:
        typed = form.number(name, meaning)
        return usual if typed is None else typed

    typed = CalibrationTyped(
        typed_weights(form),
        round(number("runs", "the runs", 3)),
        round(number("exercises", "the exercises", 3)),
        form.number("latitude", "the latitude"),
        number("height", "the height", 0.0),
        form.number("gravity", "gravity"),
        number("gravity_u", "the uncertainty of gravity", 5e-4),
        form.number("arm", "the distance"),
        number("arm_u", "the uncertainty of the distance", 5e-4),
        number("arm_degrees", "the arm's angle", 0.0),
        number("arm_degrees_u", "the uncertainty of the angle", 0.5),
        form.number("temperature", "the temperature"),
        round(number("valid_days", "the days", 365)),
        form["note"],
    )
    bench.desk.weights.begin(calibration_order(typed), bench.desk.operator)


# --- after ----------------------------------------------------------------------------------------


def _refused(bench: Bench, job: WeightJob) -> None:
    weights = bench.desk.weights
    form = Form()
    with section("Refused"):
        notice("bad", job.refusal)
        if job.kept is not None:
            text("p", f"The readings are not lost: {job.kept.name}.")
        button("Begin anew", guarded(weights.give_up), "main", key="next")
        text("h3", "If the sensor was exchanged or repaired")
        form.field("reason", "Why the old calibration cannot be held against these readings")
        button(
            "Judge the same readings without it",
            guarded(lambda: weights.judge_again(form["reason"])),
            "quiet",
        )


def _result(bench: Bench, job: WeightJob) -> None:
    done = job.replaced
    if done is None:
        return
    with section("Done"):
        notice("good", f"Calibration {done.calibration.calibration_id[:12]} is in force.")
        if bench.desk.weights.untold:
            notice("bad", bench.desk.weights.untold)
            button("Tell the recorder again", guarded(bench.desk.weights.tell), "quiet")
        for line in done.calibration.remarks:
            notice("care", line)
        button("Put this away", guarded(bench.desk.weights.give_up), "main", key="next")
    with section("As found and as left"):
        if done.found is None:
            text("p", "As found: the old calibration was not read; the history says why, if any.")
        else:
            _comparison(f"As found, with {done.found.calibration_id[:12]}", done.found)
        _comparison("As left, by its own readings", _own(done.calibration))


def _own(calibration: LoadCalibration) -> Comparison:
    force = quantity_of(calibration).force
    named = {weight.name: weight for weight in force.weights}
    return compare(calibration, force.points, force.conditions, named)


def _comparison(title: str, found: Comparison) -> None:
    notice("good" if found.agrees else "care", f"{title}: {found.sentence()}.")
    rows = [
        [
            f"{one.mass_kg:g} kg",
            f"{one.run} {one.direction}",
            f"{one.reference:.2f}",
            f"{one.indicated:.2f}",
            f"{one.error:+.3f} ± {one.expanded_uncertainty:.3f}",
        ]
        for one in found.loads
    ]
    table(title, ["load", "run", "known", "read", f"error ({found.unit}, 95 %)"], rows)


# --- what stands ----------------------------------------------------------------------------------


def _standing(bench: Bench) -> None:
    weights = bench.desk.weights
    try:
        calibration = weights.calibration()
        entries = weights.history().entries
    except SteelyardError as error:
        with section("In force"):
            notice("bad", str(error))
        return
    with section("In force"):
        if calibration is None:
            empty("Nothing is in force: raw counts, no torque.", "Calibrate with test weights.")
        else:
            _facts(calibration)
            button("Certificate (PDF)", guarded(lambda: _certificate(bench)), "quiet")
    if entries:
        with section("What was done, latest first", "wide"):
            rows = [_row(entry) for entry in reversed(entries[-SHOWN_ENTRIES:])]
            table("History of the load channel", ["when (UTC)", "what", "with", "by"], rows)


def _facts(calibration: LoadCalibration) -> None:
    quantity = quantity_of(calibration)
    full = quantity.budget(quantity.high)
    reach = f"{quantity.low:.1f} to {quantity.high:.1f} {quantity.unit}"
    zero = quantity.force.model.zero_counts
    facts(
        {
            "calibration": calibration.calibration_id[:12],
            "quantity": f"{quantity.name}, {reach}",
            "sensitivity": f"{quantity.sensitivity:.3f} counts per {quantity.unit}",
            "without load": f"{zero:.0f} counts",
            "one sample at full load": f"± {full.expanded_uncertainty:.2f} {quantity.unit} (95 %)",
            "made": quantity.force.conditions.taken_at.replace("T", " ").removesuffix("Z"),
            "by": quantity.force.conditions.operator or "–",
            "due": str(calibration.due_on or "no day set"),
        }
    )


def _row(entry: Entry) -> list[str]:
    what = entry.act.value
    if entry.act is Act.CHECKED:
        load = entry.content.get("load", {})
        what += f", error {load.get('error', 0.0):+.3f} {entry.content.get('unit', '')}"
    elif entry.act is Act.IN_FORCE and entry.content.get("no_as_found"):
        what += f" ({entry.content['no_as_found']})"
    when = entry.at.replace("T", " ").removesuffix("Z")
    return [when, what, entry.calibration_id[:12], entry.by or "–"]


async def _certificate(bench: Bench) -> None:
    desk = bench.desk
    calibration = desk.weights.calibration()
    if calibration is None:
        return
    tell("The certificate is being drawn; this takes some seconds.", "plain")
    issued = await asyncio.to_thread(
        issue_certificate,
        calibration,
        desk.weights.history(),
        desk.folder / "certificates",
        issued_at=now_text(),
        practice=desk.reviewing.practice,
        machine=desk.profile.name,
    )
    ui.download.file(issued.paper)
