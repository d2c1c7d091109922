"""Time marks come four times a second at first, then once, and never in a burst."""

from __future__ import annotations

from steelyard.recording.mark_schedule import MarkSchedule


def _marks(seconds: float, step_s: float = 0.01) -> list[float]:
    schedule = MarkSchedule(0)
    made, now_s = [], 0.0
    while now_s < seconds:
        now_ns = round(now_s * 1e9)
        if schedule.is_due(now_ns):
            made.append(round(now_s, 6))
            schedule.made(now_ns)
        now_s += step_s
    return made


def test_the_first_mark_is_due_at_once_then_four_a_second() -> None:
    assert _marks(1.1) == [0, 0.25, 0.5, 0.75, 1.0]


def test_after_five_seconds_one_a_second() -> None:
    assert _marks(9.1)[-5:] == [5.0, 6.0, 7.0, 8.0, 9.0]


def test_no_burst_after_a_stall() -> None:
    schedule = MarkSchedule(0)
    late = 60_000_000_000
    assert schedule.is_due(late)
    schedule.made(late)
    assert not schedule.is_due(late + 999_999_999)
    assert schedule.seconds_left(late) == 1.0
    assert schedule.seconds_left(late + 5_000_000_000) == 0.0
