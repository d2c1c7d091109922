"""Virtual time: order of events, cost of operations, the `time` stand-in."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from steelyard.simulator.clock import TICKS_PERIOD_US, VirtualClock


def test_events_run_in_order_at_their_own_time() -> None:
    clock = VirtualClock()
    seen: list[tuple[str, int]] = []
    clock.schedule_at(30, lambda: seen.append(("late", clock.now_us)))
    clock.schedule_at(10, lambda: seen.append(("early", clock.now_us)))
    clock.schedule_at(10, lambda: seen.append(("early, asked second", clock.now_us)))
    clock.advance_to(100)
    assert seen == [("early", 10), ("early, asked second", 10), ("late", 30)]
    assert clock.now_us == 100


def test_an_event_may_schedule_another_before_the_target() -> None:
    clock = VirtualClock()
    seen: list[int] = []
    clock.schedule_at(10, lambda: clock.schedule_at(20, lambda: seen.append(clock.now_us)))
    clock.advance_to(50)
    assert seen == [20]


def test_an_event_that_spends_time_delays_what_follows_it() -> None:
    clock = VirtualClock()
    clock.schedule_at(10, lambda: clock.spend(25))
    clock.advance_to(20)
    assert clock.now_us == 35


def test_spending_runs_what_falls_due_meanwhile() -> None:
    clock = VirtualClock()
    seen: list[int] = []
    clock.schedule_at(3, lambda: seen.append(clock.now_us))
    clock.spend(2)
    assert not seen
    clock.spend(2)
    assert seen == [3]
    assert clock.now_us == 4


def test_an_event_due_in_the_past_runs_at_the_next_move() -> None:
    clock = VirtualClock()
    clock.advance_to(100)
    seen: list[int] = []
    clock.schedule_at(50, lambda: seen.append(clock.now_us))
    clock.advance_to(100)
    assert seen == [100]


def test_clock_calls_cost_time() -> None:
    clock = VirtualClock(call_cost_us=1)
    assert [clock.ticks_us() for _ in range(3)] == [1, 2, 3]


def test_ticks_wrap_at_two_to_the_thirty() -> None:
    # MicroPython documents the RP2040's ticks period as 2**30.
    clock = VirtualClock(call_cost_us=0, ticks_offset_us=TICKS_PERIOD_US - 5)
    before = clock.ticks_us()
    clock.sleep_us(10)
    after = clock.ticks_us()
    assert (before, after) == (TICKS_PERIOD_US - 5, 5)
    assert clock.ticks_diff(after, before) == 10
    assert clock.ticks_diff(before, after) == -10


@given(st.integers(0, TICKS_PERIOD_US - 1), st.integers(-(1 << 29), (1 << 29) - 1))
def test_ticks_diff_undoes_ticks_add(ticks: int, delta: int) -> None:
    clock = VirtualClock()
    assert clock.ticks_diff(clock.ticks_add(ticks, delta), ticks) == delta


def test_sleep_ms_and_ticks_ms() -> None:
    clock = VirtualClock(call_cost_us=0)
    clock.sleep_ms(1500)
    assert clock.ticks_ms() == 1500
    clock.sleep_us(-5)
    assert clock.now_us == 1_500_000
