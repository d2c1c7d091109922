"""Device time on the wall clock, as it goes along."""

from __future__ import annotations

import pytest
from steelyard.publish.live_clock import MARK_LIMIT, LiveClock
from steelyard_protocol.messages import TICKS_PERIOD_US
from steelyard_protocol.records import TimeMark

UNIX_NS = 1_751_371_200_000_000_000


def mark(second: float, fast: float = 0.0, boot_id: int = 7, wall_step_ns: int = 0) -> TimeMark:
    host_ns = round(second * 1e9)
    device_us = round(second * 1e6 * (1 + fast)) + 900_000_000
    return TimeMark(
        boot_id, device_us % TICKS_PERIOD_US, host_ns, UNIX_NS + host_ns + wall_step_ns, 120
    )


def test_a_fast_crystal_is_followed_across_the_wrap() -> None:
    clock = LiveClock()
    for second in range(600):
        clock.add(mark(second, 40e-6))
    ticks = (round(600.0 * 1e6 * (1 + 40e-6)) + 900_000_000) % TICKS_PERIOD_US
    device_us = clock.device_us(7, ticks)
    assert device_us > TICKS_PERIOD_US
    assert clock.unix_us(device_us) == pytest.approx((UNIX_NS + 600 * 10**9) // 1000, abs=5)
    state = clock.state()
    assert state["device_fast_ppm"] == pytest.approx(40.0, abs=0.5)
    assert state["marks"] <= MARK_LIMIT


def test_before_any_mark_nothing_is_claimed() -> None:
    clock = LiveClock()
    assert clock.unix_us(clock.device_us(7, 5)) is None
    assert clock.state() == {"aligned": False}


def test_a_new_boot_starts_afresh() -> None:
    clock = LiveClock()
    clock.add(mark(1))
    assert clock.unix_us(clock.device_us(8, 5)) is None


def test_a_pause_of_the_host_starts_a_new_line() -> None:
    clock = LiveClock()
    for second in range(30):
        clock.add(mark(second))
    asleep_us = 3_000_000
    late = mark(31)
    late = late._replace(device_ticks_us=(late.device_ticks_us + asleep_us) % TICKS_PERIOD_US)
    clock.add(late)
    device_us = clock.device_us(7, late.device_ticks_us)
    assert clock.unix_us(device_us) == late.host_unix_ns // 1000
    assert clock.state()["marks"] == 1


def test_the_wall_clock_is_followed_when_it_is_set() -> None:
    clock = LiveClock()
    for second in range(10):
        clock.add(mark(second))
    stepped = mark(10, wall_step_ns=5_000_000_000)
    clock.add(stepped)
    device_us = clock.device_us(7, stepped.device_ticks_us)
    assert clock.unix_us(device_us) == pytest.approx(stepped.host_unix_ns / 1000, abs=2)
