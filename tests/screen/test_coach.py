"""The virtual client's coach: each thing is ordered once, whatever happens in between."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from steelyard.errors import ActionRefusedError
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.views import SetView, StepState, VisitView
from steelyard.guidance.visit import Visit
from steelyard.screen.desk import Desk
from steelyard.screen.visit.coach import Coach
from steelyard.screen.visit.visit_desk import VisitDesk
from steelyard.strength.profile_file import ready_profile

HERON = ready_profile("heron")


def at_the_set(visit: Visit) -> None:
    visit.go_to([step.kind for step in visit.steps].index("set"))


@pytest.fixture
def visit() -> Visit:
    made = Visit(MachineScales.of(HERON, {}, "2026-01-01T00:00:00Z"), "C-001")
    at_the_set(made)
    return made


@pytest.fixture
def coach(tmp_path: Path) -> Coach:
    return Coach(tmp_path / "orders.txt", "steady")


def orders(coach: Coach) -> list[str]:
    return coach.script.read_text("utf-8").split("\n")[:-1] if coach.script.exists() else []


def seen(visit: Visit, **changes: Any) -> VisitView:
    """The view, as if samples came and the set went on."""
    view = visit.view(time.monotonic())
    assert isinstance(view.step, SetView)
    step = replace(view.step, **{"state": StepState.RUNNING, **changes})
    return replace(view, step=step, live=replace(view.live, live=True))


def test_an_outage_does_not_order_the_set_again(coach: Coach, visit: Visit) -> None:
    coach.follow(seen(visit))
    coach.follow(seen(visit, state=StepState.INTERRUPTED, lost="3.0 s of samples did not come."))
    coach.follow(seen(visit, lost="3.0 s of samples did not come."))
    assert orders(coach) == ["set 8"]


def test_a_start_does_and_one_that_is_refused_does_not(
    coach: Coach, visit: Visit, tmp_path: Path
) -> None:
    async def remark(text: str) -> None:
        del text

    visits = VisitDesk(lambda: visit.live.scales, tmp_path, remark)
    visits.visit = visit
    nothing: Any = None
    desk = Desk(HERON, nothing, visits, tmp_path, nothing, nothing, nothing, nothing, coach=coach)
    coach.follow(seen(visit))
    with pytest.raises(ActionRefusedError):
        desk.act("start")  # pressed twice, or with no sample there
    coach.follow(seen(visit))
    assert orders(coach) == ["set 8"]
    coach.step_begins()
    coach.follow(seen(visit))
    assert orders(coach) == ["set 8", "set 8"]


def test_a_restart_of_the_server_does_not_order_the_set_again(coach: Coach, visit: Visit) -> None:
    """The process that holds the box went on meanwhile, and the virtual client with it."""
    going_on = seen(visit, state=StepState.INTERRUPTED, count_asked=5)
    coach.take_up(going_on)
    coach.follow(seen(visit, count_asked=5))
    assert orders(coach) == []
    coach.step_begins()  # done again, on purpose
    coach.follow(seen(visit, count_asked=5))
    assert orders(coach) == ["set 5"]


def test_a_set_that_has_not_begun_is_ordered_after_a_restart(coach: Coach, visit: Visit) -> None:
    coach.take_up(seen(visit, state=StepState.READY))
    coach.follow(seen(visit))
    assert orders(coach) == ["set 8"]
