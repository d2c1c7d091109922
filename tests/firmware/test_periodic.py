"""Keeping a period by the device clock."""

from __future__ import annotations

import pytest
from box.periodic import Periodic
from steelyard.simulator.clock import TICKS_PERIOD_US, VirtualClock


def _due_times(timer: Periodic, looks_us: list[int]) -> list[int]:
    return [at for at in looks_us if timer.due(at % TICKS_PERIOD_US)]


def test_looked_at_often_it_is_due_once_a_period_without_drift() -> None:
    timer = Periodic(VirtualClock(call_cost_us=0), 5000)
    due = _due_times(timer, list(range(0, 100_000, 7)))
    assert len(due) == 20
    assert all(0 <= at - 5000 * turn < 7 for turn, at in enumerate(due))


def test_periods_missed_whole_are_not_made_up_for() -> None:
    timer = Periodic(VirtualClock(call_cost_us=0), 5000)
    assert _due_times(timer, [0, 23_000, 23_100, 24_900, 25_000, 29_900]) == [0, 23_000, 25_000]


def test_being_late_costs_no_rate() -> None:
    timer = Periodic(VirtualClock(call_cost_us=0), 5000)
    looks = [turn * 5000 + turn % 4 * 1600 for turn in range(40)]  # up to 4.8 ms late
    assert _due_times(timer, looks) == looks


def test_over_the_wrap_of_the_ticks() -> None:
    start = TICKS_PERIOD_US - 12_000
    timer = Periodic(VirtualClock(call_cost_us=0, ticks_offset_us=start), 5000)
    looks = list(range(start, start + 30_000, 100))
    assert _due_times(timer, looks) == [start + 5000 * turn for turn in range(6)]


@pytest.mark.parametrize("now", [0, TICKS_PERIOD_US - 10])
def test_restart_waits_one_new_period(now: int) -> None:
    timer = Periodic(VirtualClock(), 5000)
    timer.restart(now, 300)
    assert timer.wait_us(now) == 300
    assert not timer.due((now + 299) % TICKS_PERIOD_US)
    assert timer.due((now + 300) % TICKS_PERIOD_US)
