"""What both pages with weights show while they hang: what to do, what is seen, one key."""

from __future__ import annotations

from nicegui import ui

from steelyard.calibration import Phase
from steelyard.calibration.run_plan import CAUTION
from steelyard.screen.hanging.weight_desk import WeightDesk, WeightJob, counts_now
from steelyard.screen.hanging.weight_orders import Purpose
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.parts import box, button, notice, section, table, text
from steelyard.screen.pages.refusals import guarded

CLASSES = {"M1": "OIML M1", "E1": "OIML E1", "E2": "OIML E2", "F1": "OIML F1", "F2": "OIML F2"} | {
    "M2": "OIML M2",
    "M3": "OIML M3",
    "": "none: by tolerance",
}


def hanging_state(bench: Bench, purpose: Purpose) -> list[object]:
    """What makes the panel be built anew; figures that move are not among it."""
    desk = bench.desk
    job = desk.weights.job
    state = [desk.weights.changes_total, desk.why_no_weights, desk.operator]
    if job is None or job.order.purpose is not purpose:
        return [*state, job is None]
    return [*state, job.run.progress.phase.name, job.judging, job.refusal, job.is_over]


def caution() -> None:
    """The words that stand wherever something is hung."""
    notice("care", " ".join(CAUTION.split()))


def elsewhere(job: WeightJob) -> None:
    """Instead of a form: the other page's weights hang."""
    place, name = {
        Purpose.CHECK: ("/weight", "the check"),
        Purpose.CALIBRATION: ("/calibrate", "the calibration"),
    }[job.order.purpose]
    with section("Weights are in use"):
        notice("care", f"Weights are being hung for {name}.")
        text("a", f"Go to {name}", "act main", href=place, data_key="next")


def hanging_panel(bench: Bench, job: WeightJob) -> None:
    """The step that is to be done, and its buttons."""
    weights, progress = bench.desk.weights, job.run.progress
    step = job.run.current
    with section(
        f"Step {min(progress.steps_done + 1, progress.steps_total)} of {progress.steps_total}"
    ):
        if bench.desk.why_no_weights:
            notice("bad", f"{bench.desk.why_no_weights} Nothing is read until that is over.")
        if weights.trouble:
            notice("bad", weights.trouble)
        if progress.phase is Phase.REFUSED:
            notice("bad", progress.text)
        if step is not None:
            text("p", step.text, "prompt")
        if job.judging:
            text("p", "All is read. It is being worked out ...", "advice", role="status")
        elif progress.phase is Phase.MEASURING:
            _watching(job)
        _buttons(weights, progress.phase, progress.steps_done, job.judging)
        caution()
    _taken(job)
    if weights.coach is not None:
        _rehearsal(weights)


def _watching(job: WeightJob) -> None:
    line = text("p", "", "advice", role="status")
    counts = text("p", "", "counts")

    def show() -> None:
        words = f"No samples: {job.outage}" if job.outage else job.run.progress.text
        line.set_text(f"Reading: {words}")
        seen = counts_now(job)
        counts.set_text("– counts" if seen is None else f"{seen:.0f} counts")

    show()
    ui.timer(0.2, show)


def _buttons(weights: WeightDesk, phase: Phase, done: int, judging: bool) -> None:
    if judging:
        return
    with box("div", "row"):
        if phase is Phase.MEASURING:
            made = button("Reading ...", lambda: None, "main")
            made.props["disabled"] = True
        else:
            words = "Read it once more" if phase is Phase.REFUSED else "It hangs: read it"
            button(words, guarded(weights.loaded), "main", key="next")
        if done:
            button("Take the last reading again", guarded(weights.back), "quiet", key="back")
        button("Give up", guarded(weights.give_up), "quiet")


def _taken(job: WeightJob) -> None:
    rows = [
        [
            f"{one.mass_kg:g} kg",
            f"{one.run} {one.direction.value}",
            f"{one.counts_mean:.0f}",
            f"{one.counts_standard_error:.1f}",
        ]
        for one in job.points
    ]
    if rows:
        with section("Readings taken"):
            table("Means of three seconds at rest", ["load", "run", "counts", "std. error"], rows)


def _rehearsal(weights: WeightDesk) -> None:
    form = Form()
    with section("Rehearsal"):
        by_itself = weights.by_itself
        text(
            "p",
            "The virtual technician hangs what is asked by itself."
            if by_itself
            else "The virtual technician waits to be told.",
        )
        form.field("mass", "What hangs now, kg", "Another mass than asked shows a refusal.")
        with box("div", "row"):
            button("Hang this", guarded(lambda: _hang(weights, form)), "quiet")
            words = "Only when told" if by_itself else "By itself again"
            button(words, guarded(lambda: _switch(weights)), "quiet")


def _hang(weights: WeightDesk, form: Form) -> None:
    weights.hang_instead(form.number("mass", "the mass") or 0.0)


def _switch(weights: WeightDesk) -> None:
    weights.by_itself = not weights.by_itself
    weights.changes_total += 1


def weight_fields(form: Form) -> None:
    """How well the weights are known."""
    form.choice("oiml_class", "Class of the weights", CLASSES)
    form.field("tolerance", "Tolerance of each, g", "Only without a class.", inputmode="decimal")
    form.field("hanger", "Hanger, kg", "What hangs with every load; empty: none.")
