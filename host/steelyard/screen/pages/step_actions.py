"""The buttons of a step: which there are, what they are called, and which one is next."""

from __future__ import annotations

from typing import Final

from steelyard.errors import ActionRefusedError
from steelyard.guidance.views import StepState, StepView
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.parts import box, button
from steelyard.screen.pages.refusals import guarded

NAMES: Final = {
    "start": "Start",
    "measure": "Measure",
    "cranked": "The crank is turned",
    "again": "Sweep again",
    "go_on": "Go on now",
    "next_station": "Next station",
    "undo_effort": "Undo the last effort",
    "finish": "Finish",
    "skip": "Leave out",
    "redo": "Do it again",
    "stop": "End it here",
}
NEXT: Final = ("start", "cranked", "measure", "go_on", "finish")
"""The first of these that is offered is what one key does; the most harmless comes first."""
OVER: Final = frozenset({StepState.DONE, StepState.SKIPPED, StepState.STOPPED})


def action_row(bench: Bench, step: StepView) -> None:
    """All actions that can be taken now."""
    over = step.state in OVER
    current = bench.desk.visits.view.current if bench.desk.visits.view else None
    main = "" if over else next((name for name in NEXT if name in step.actions), "")
    with box("div", "row"):
        if over:
            button("Next step", guarded(lambda: _next(bench, current)), "main", key="next")
        for name in sorted(step.actions, key=lambda name: name != main):
            button(
                _name(name),
                guarded(lambda name=name: _act(bench, current, name)),
                "main" if name == main else "quiet",
                key="next" if name == main else "back" if name == "undo_effort" else "",
            )


def _name(action: str) -> str:
    return NAMES.get(action, action.replace("_", " "))


def _act(bench: Bench, number: int | None, action: str) -> None:
    step = _still(bench, number)
    if step is not None and action not in step.actions:
        raise ActionRefusedError(
            f"“{_name(action)}” came too late: {step.title} is {step.state.value}.",
            "Look, and press what is offered now.",
        )
    bench.desk.act(action)


def _next(bench: Bench, number: int | None) -> None:
    _still(bench, number)
    bench.desk.visits.going_on().next()
    bench.desk.visits.refresh()


def _still(bench: Bench, number: int | None) -> StepView | None:
    """The step that stood on the page; pressed twice, a press must not do the next one."""
    view = bench.desk.visits.view
    if view is not None and view.current != number:
        raise ActionRefusedError("That step has been left already.", "Look, and press again.")
    return view.step if view else None
