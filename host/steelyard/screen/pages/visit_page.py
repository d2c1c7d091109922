"""The visit: its steps in order, and the one that is going on."""

from __future__ import annotations

from typing import Final

from nicegui import ui

from steelyard.errors import ActionRefusedError
from steelyard.guidance.views import StepState, StepView, VisitView
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.live_plot import live_plot
from steelyard.screen.pages.parts import box, button, empty, notice, section, text
from steelyard.screen.pages.presses import on_press
from steelyard.screen.pages.refusals import guarded
from steelyard.screen.pages.step_actions import action_row
from steelyard.screen.pages.step_panels import panel, panel_state
from steelyard.screen.pages.watching import follow

SIGNS: Final = {
    StepState.READY: "○",
    StepState.RUNNING: "▶",
    StepState.INTERRUPTED: "‖",
    StepState.DONE: "✓",
    StepState.SKIPPED: "–",
    StepState.STOPPED: "✕",
}
MAXIMAL: Final = frozenset({"isometric"})


def visit_page(bench: Bench) -> None:
    """Build the page."""
    with frame(bench, "Visit", "/visit"):
        follow(lambda: bench.desk.visits.visit is None, lambda: _whole(bench))


def _whole(bench: Bench) -> None:
    if bench.desk.visits.visit is None:
        with section("No visit is going on", "wide"):
            empty("A visit begins with its client.", "Choose the client, then begin.")
            text("a", "Choose the client", "act main", href="/client", data_key="next")
        return
    follow(lambda: _alarm_state(bench), lambda: _alarms(bench))
    with box("div", "course"):
        follow(lambda: _steps_state(bench), lambda: _steps(bench))
        live_plot("beside")
        follow(lambda: _is_over(bench), lambda: _ending(bench))
    follow(lambda: _step_state(bench), lambda: _step(bench))


def _view(bench: Bench) -> VisitView | None:
    return bench.desk.visits.view


# --- stop, outage, cautions ------------------------------------------------------------------


def _alarm_state(bench: Bench) -> list[object]:
    view = _view(bench)
    if view is None:
        return []
    kind = view.step.kind if view.step else ""
    return [view.stopped, view.outage, view.live.live, view.live.alarm, view.acknowledged_by, kind]


def _alarms(bench: Bench) -> None:
    view = _view(bench)
    if view is None:
        return
    if view.stopped:
        with section("Stopped", "wide"):
            notice("bad", f"STOP: {view.stopped}. It is marked in the recording.")
            button("All is well: release the stop", guarded(lambda: _release(bench)), "danger")
    if view.live.alarm:
        notice("bad", view.live.alarm)
    if view.outage:
        notice("care" if view.live.live else "bad", view.outage)
    if view.step is not None and view.step.kind in MAXIMAL and not view.acknowledged_by:
        _cautions(bench, view)


def _cautions(bench: Bench, view: VisitView) -> None:
    client = bench.desk.records.clients.get(view.client_code) if view.client_code else None
    with section("Before a maximal effort", "wide"):
        if client is not None and client.cautions:
            notice("care", client.cautions)
        with box("div", "cautions"):
            text("h3", "Cautions")
            with box("ul"):
                for line in view.cautions:
                    text("li", line)
            text("h3", "Stop")
            with box("ul"):
                for line in view.stop_rules:
                    text("li", line)
        form = Form(by=bench.desk.operator)
        form.field("by", "Read and acknowledged by (initials)", size="8")
        button(
            "I have read them and shall keep to them",
            guarded(lambda: _acknowledge(bench, form)),
            "main",
            key="next",
        )


def _acknowledge(bench: Bench, form: Form) -> None:
    bench.desk.require_consent()
    bench.desk.visits.going_on().acknowledge(form["by"])
    bench.desk.visits.refresh()


def _release(bench: Bench) -> None:
    if not bench.desk.operator:
        raise ActionRefusedError("Nobody is signed on.", "Sign on first, on the page Today.")
    bench.desk.visits.going_on().release_stop(bench.desk.operator)
    bench.desk.visits.refresh()


# --- the list of steps -------------------------------------------------------------------------


def _steps_state(bench: Bench) -> list[object]:
    view = _view(bench)
    if view is None:
        return []
    return [view.current, view.client_code, *((one.state.value, one.result) for one in view.steps)]


def _steps(bench: Bench) -> None:
    view = _view(bench)
    if view is None:
        return
    with section(f"Visit of {view.client_code or 'nobody'}"), box("ol", "steps"):
        for one in view.steps:
            with box("li") as item:
                if one.index == view.current:
                    item.props["aria-current"] = "step"
                with box("button", type="button") as line:
                    text("span", SIGNS[one.state], aria_hidden="true")
                    text("span", one.title)
                    text("span", one.state.value, "quiet")
                    if one.result:
                        text("span", one.result, "result")
                on_press(line, guarded(lambda index=one.index: _go_to(bench, index)))


def _go_to(bench: Bench, index: int) -> None:
    bench.desk.visits.going_on().go_to(index)
    bench.desk.visits.refresh()


# --- its end -----------------------------------------------------------------------------------


def _is_over(bench: Bench) -> bool:
    """Whether no step is left; the end is then what comes next, and stands in its place."""
    view = _view(bench)
    return view is not None and view.current is None


def _ending(bench: Bench) -> None:
    if not _is_over(bench):
        with section("End of the visit", "beside"):
            _end_form(bench, "quiet", "")


def _end_form(bench: Bench, kind: str, key: str) -> None:
    form = Form()
    form.values = bench.desk.ending  # a reload loses no choice
    services = bench.desk.records.services.list(offered_only=True)
    if services:
        names = {one.code: one.name for one in services}
        form.choice("service", "Service", {"": "none", **names})
    button("End the visit", guarded(lambda: _end(bench)), kind, key=key)


async def _end(bench: Bench) -> None:
    path = await bench.desk.end_visit(bench.desk.ending.get("service", ""))
    ui.navigate.to(f"/review/{path.stem}" if path is not None else "/")


# --- the step that is going on --------------------------------------------------------------------


def _step_state(bench: Bench) -> list[object]:
    view = _view(bench)
    step = view.step if view else None
    if view is None or step is None:
        return [view is None]
    return [view.current, step.title, step.state.value, step.actions, panel_state(step)]


def _step(bench: Bench) -> None:
    view = _view(bench)
    step = view.step if view else None
    if step is None:
        with section("All steps are over"):
            empty("Nothing is left to do.", "End the visit, or choose a step to do it again.")
            _end_form(bench, "main", "next")
        return
    with section(f"{step.title}: {step.state.value}"):
        _advice(bench)
        if step.state is StepState.READY:  # what is chosen comes before Start
            panel(bench, step)
            action_row(bench, step)
        else:  # and then what grows must not push the buttons away
            action_row(bench, step)
            panel(bench, step)


def _advice(bench: Bench) -> None:
    line = text("p", "", "advice", role="status")

    def show() -> None:
        view = _view(bench)
        step: StepView | None = view.step if view else None
        words = step.advice if step else ""
        if line.text != words:
            line.set_text(words)

    show()
    ui.timer(0.2, show)
