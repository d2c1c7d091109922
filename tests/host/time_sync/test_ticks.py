"""Unwrapping device ticks, against times that are known because the test made them."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from steelyard.time_sync import (
    TickTimeline,
    TickUnwrapper,
    ticks_difference_us,
    ticks_middle_us,
)
from steelyard_protocol.messages import TICKS_PERIOD_US

HALF = TICKS_PERIOD_US // 2
BOOT = 7


@given(st.integers(0, 1 << 45), st.integers(-HALF, HALF - 1))
def test_difference_is_exact_within_half_a_period(start: int, step: int) -> None:
    later = (start + step) % TICKS_PERIOD_US
    assert ticks_difference_us(later, start % TICKS_PERIOD_US) == step


def test_middle_lies_between_across_a_wrap() -> None:
    assert ticks_middle_us(100, 140) == 120
    assert ticks_middle_us(TICKS_PERIOD_US - 10, 30) == 10
    assert ticks_middle_us(TICKS_PERIOD_US - 30, 10) == TICKS_PERIOD_US - 10


@given(
    st.integers(0, TICKS_PERIOD_US - 1),
    st.lists(st.integers(-1_000_000, HALF - 1), max_size=60),
)
def test_one_by_one_and_all_at_once_agree_with_the_truth(start: int, steps: list[int]) -> None:
    truth = np.concatenate(([start], start + np.cumsum(steps, dtype=np.int64))).astype(np.int64)
    ticks = truth % TICKS_PERIOD_US
    single = TickUnwrapper()
    assert [single.unwrap(BOOT, int(tick)) for tick in ticks] == truth.tolist()
    many = TickUnwrapper()
    cut = len(ticks) // 2
    parts = [
        many.unwrap_many(np.full(len(part), BOOT), part) for part in (ticks[:cut], ticks[cut:])
    ]
    assert np.concatenate(parts).tolist() == truth.tolist()


def test_ten_hours_wrap_33_times() -> None:
    truth = np.arange(0, 36_000_000_000, 12_345, dtype=np.int64)
    unwrapped = TickUnwrapper().unwrap_many(np.full(len(truth), BOOT), truth % TICKS_PERIOD_US)
    assert np.array_equal(unwrapped, truth)
    assert truth[-1] // TICKS_PERIOD_US == 33


def test_boots_do_not_disturb_each_other() -> None:
    unwrapper = TickUnwrapper()
    late = TICKS_PERIOD_US - 5
    times = unwrapper.unwrap_many([1, 2, 1, 2, 1], [late, 10, 3, 20, 9])
    assert times.tolist() == [late, 10, TICKS_PERIOD_US + 3, 20, TICKS_PERIOD_US + 9]
    assert unwrapper.unwrap(2, 30) == 30


def test_nothing_gives_nothing() -> None:
    assert TickUnwrapper().unwrap_many([], []).tolist() == []
    timeline = TickTimeline([], [], [], [])
    assert timeline.unwrap([], [], []).tolist() == []


@given(st.integers(0, 1 << 41), st.integers(0, 1 << 36), st.integers(-900, 900))
def test_uptime_counts_the_periods_of_a_long_silence(
    start_us: int, silence_us: int, phase_us: int
) -> None:
    """Silence up to 19 hours; the uptime is rounded to milliseconds and wraps too."""
    unwrapper = TickUnwrapper()

    def uptime_ms(time_us: int) -> int:
        return (time_us + phase_us) // 1000 % (1 << 30)

    first = unwrapper.anchor(BOOT, start_us % TICKS_PERIOD_US, uptime_ms(start_us))
    later_us = start_us + silence_us
    second = unwrapper.anchor(BOOT, later_us % TICKS_PERIOD_US, uptime_ms(later_us))
    assert second - first == silence_us
    assert unwrapper.unwrap(BOOT, (later_us + 5) % TICKS_PERIOD_US) - first == silence_us + 5


def test_without_uptime_a_long_silence_would_lose_periods() -> None:
    unwrapper = TickUnwrapper()
    unwrapper.unwrap(BOOT, 0)
    assert unwrapper.unwrap(BOOT, (3 * TICKS_PERIOD_US + 50) % TICKS_PERIOD_US) == 50


@given(st.integers(0, TICKS_PERIOD_US - 1), st.integers(0, 5 * TICKS_PERIOD_US))
def test_a_timeline_places_every_table_alike(start: int, silence_us: int) -> None:
    """Two stretches with silence between; samples lie up to 2 s from a status frame."""
    status_times = start + np.concatenate(
        (np.arange(20) * 500_000, 20 * 500_000 + silence_us + np.arange(20) * 500_000)
    )
    status_offsets = np.arange(40) * 1000
    timeline = TickTimeline(
        np.full(40, BOOT),
        status_times % TICKS_PERIOD_US,
        (status_times - start) // 1000,
        status_offsets,
    )
    near = np.repeat(status_times, 3) + np.tile([-1_500_000, 10, 2_000_000], 40)
    places = np.repeat(status_offsets, 3) + np.tile([1, 2, 3], 40)
    unwrapped = timeline.unwrap(np.full(120, BOOT), near % TICKS_PERIOD_US, places)
    assert np.array_equal(unwrapped, near)


def test_a_boot_without_status_is_unwrapped_by_itself() -> None:
    timeline = TickTimeline([1], [0], [0], [0])
    truth = np.array([TICKS_PERIOD_US - 5, TICKS_PERIOD_US + 5, TICKS_PERIOD_US + 9])
    assert timeline.unwrap([2, 2, 2], truth % TICKS_PERIOD_US, [9, 10, 11]).tolist() == (
        truth.tolist()
    )
