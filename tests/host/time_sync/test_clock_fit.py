"""Clock alignment against simulated clocks whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from steelyard.errors import TimeSyncError
from steelyard.time_sync import ClockExchange, ClockMark, ClockModel, fit_clock
from steelyard.time_sync.mark_line import MARK_FLOOR_US, SLOPE_PRIOR
from steelyard_protocol.messages import TICKS_PERIOD_US

HOST_START_NS = 5_000_000_000_000
WALL_AHEAD_NS = 1_700_000_000_000_000_000


class TwoClocks:
    """A device clock that runs ``fast_ppm`` fast, and delays of the link between."""

    base_us, jitter_us = 300.0, 150.0

    def __init__(self, fast_ppm: float, seed: int, share: float = 0.5):
        """``share``: part of the constant delay that lies on the way to the box."""
        self.fast = fast_ppm * 1e-6
        self.random = np.random.default_rng(seed)
        self.constant_us = self.base_us * np.array([share, 1 - share])

    def device_us(self, host_ns: float) -> int:
        return int((host_ns - HOST_START_NS) / 1000 * (1 + self.fast)) + 123_456_789

    def mark(self, host_ns: int, boot_id: int = 1) -> ClockMark:
        """One exchange begun at ``host_ns``: both directions delayed, each by chance."""
        there, back = self.constant_us + self.random.exponential(self.jitter_us, 2)
        middle_ns = host_ns + round((there + back) * 500)
        received_ns = host_ns + there * 1000
        return ClockMark(
            boot_id,
            self.device_us(received_ns),
            middle_ns,
            middle_ns + WALL_AHEAD_NS,
            round(there + back),
        )

    def marks(self, seconds: int, period_seconds: float = 1.0) -> list[ClockMark]:
        times = np.arange(0, seconds, period_seconds)
        return [self.mark(HOST_START_NS + int(second * 1e9)) for second in times]


@pytest.mark.parametrize("fast_ppm", [-100.0, -40.0, 0.0, 40.0, 100.0])
def test_finds_the_drift(fast_ppm: float) -> None:
    clocks = TwoClocks(fast_ppm, seed=1)
    fit = fit_clock(clocks.marks(600))
    assert fit.device_fast_ppm == pytest.approx(fast_ppm, abs=0.2)
    assert abs(fit.device_fast_ppm - fast_ppm) < 4 * fit.device_fast_ppm_uncertainty
    assert fit.mark_count + fit.rejected_count == 600


def test_error_and_stated_uncertainty_agree_over_many_runs() -> None:
    """+-2u at the middle and the end of ten minutes, the link unequal by chance, 200 seeds.

    A rectangular distribution lies wholly within 2u = 1.15 half widths, so the
    share may be above 95 %; the mean square tells whether u is also not too large.
    """
    hits = total = 0
    ratios = []
    for seed in range(200):
        clocks = TwoClocks(40.0, seed, share=float(np.random.default_rng(seed + 999).random()))
        fit = fit_clock(clocks.marks(600, 5.0))
        for second in (300, 600):
            truth_ns = HOST_START_NS + second * 1_000_000_000
            device_us = clocks.device_us(truth_ns)
            error_us = (int(fit.host_monotonic_ns(device_us)) - truth_ns) / 1000
            ratios.append(error_us / float(fit.uncertainty_us(device_us)))
            hits += abs(ratios[-1]) <= 2
            total += 1
    assert hits / total >= 0.95
    assert 0.7 < np.sqrt(np.mean(np.square(ratios))) < 1.2


def test_more_marks_leave_only_the_unequal_directions() -> None:
    clocks = TwoClocks(40.0, seed=3)
    few, many = fit_clock(clocks.marks(20)), fit_clock(clocks.marks(3600))
    middle = clocks.device_us(HOST_START_NS + 10_000_000_000)
    floor_us = many.shortest_round_trip_us / 2 / np.sqrt(3)
    assert float(many.uncertainty_us(middle)) < float(few.uncertainty_us(middle)) + 1
    assert float(many.uncertainty_us(middle)) >= floor_us


def test_delayed_marks_count_for_little() -> None:
    """One exchange in five held up for up to 80 ms in one direction."""
    clocks = TwoClocks(40.0, seed=4)
    marks = clocks.marks(600)
    for number in range(0, 600, 5):
        held_us = int(clocks.random.uniform(1_000, 80_000))
        mark = marks[number]
        marks[number] = mark._replace(
            host_monotonic_ns=mark.host_monotonic_ns + held_us * 500,
            round_trip_us=mark.round_trip_us + held_us,
        )
    fit = fit_clock(marks)
    truth_ns = HOST_START_NS + 300_000_000_000
    error_us = (int(fit.host_monotonic_ns(clocks.device_us(truth_ns))) - truth_ns) / 1000
    assert abs(error_us) < 50
    assert fit.device_fast_ppm == pytest.approx(40.0, abs=0.3)


@pytest.mark.parametrize("count", [5, 12, 60, 1000])
def test_marks_that_no_delay_explains_are_left_out(count: int) -> None:
    clocks = TwoClocks(40.0, seed=5)
    marks = clocks.marks(count)
    bad = range(1, count, 5)
    for number in bad:
        wrong_ns = marks[number].host_monotonic_ns + 3_000_000_000
        marks[number] = marks[number]._replace(host_monotonic_ns=wrong_ns)
    fit = fit_clock(marks)
    assert fit.rejected_count == len(bad)
    truth_ns = HOST_START_NS + count * 500_000_000
    error_us = (int(fit.host_monotonic_ns(clocks.device_us(truth_ns))) - truth_ns) / 1000
    assert abs(error_us) < 400


def test_one_mark_gives_an_offset_and_an_uncertainty_that_grows() -> None:
    clocks = TwoClocks(40.0, seed=6)
    fit = fit_clock([clocks.mark(HOST_START_NS)])
    assert fit.device_fast_ppm == 0.0
    assert fit.device_fast_ppm_uncertainty == pytest.approx(SLOPE_PRIOR * 1e6)
    at_once = float(fit.uncertainty_us(fit.centre_device_us))
    after_hour = float(fit.uncertainty_us(fit.centre_device_us + 3_600_000_000))
    assert at_once < fit.shortest_round_trip_us
    assert after_hour == pytest.approx(3600 * 50, rel=0.01)  # 50 ppm of an hour
    truth_ns = HOST_START_NS + 3_600_000_000_000
    error_us = (int(fit.host_monotonic_ns(clocks.device_us(truth_ns))) - truth_ns) / 1000
    assert abs(error_us) < 2 * after_hour


def test_a_crystal_that_warms_up_shows_in_the_residual_and_in_the_uncertainty() -> None:
    """5 ppm drift change over an hour: a bow of about 2 ms that no line can follow."""
    marks = []
    for second in range(0, 3600, 10):
        bow_us = 5e-6 / 3600 / 2 * second**2 * 1e6
        device_us = second * 1_000_000 + round(bow_us)
        host_ns = HOST_START_NS + second * 1_000_000_000
        marks.append(ClockMark(1, device_us, host_ns, host_ns, 200))
    fit = fit_clock(marks)
    assert fit.residual_worst_us > 500
    error_us = [
        int(fit.host_monotonic_ns(mark.device_us)) / 1000 - mark.host_monotonic_ns / 1000
        for mark in marks
    ]
    assert np.percentile(np.abs(error_us), 95) < 2 * float(fit.uncertainty_us(0))


def test_perfect_marks_are_met_exactly_ten_hours_long() -> None:
    host = HOST_START_NS + np.arange(0, 36_000, 10) * 1_000_000_000
    marks = [ClockMark(1, int(ns - HOST_START_NS) // 1000, int(ns), int(ns), 0) for ns in host]
    fit = fit_clock(marks)
    mapped = fit.host_monotonic_ns([mark.device_us for mark in marks])
    assert np.max(np.abs(mapped - host)) <= 1
    assert float(fit.uncertainty_us(0)) < MARK_FLOOR_US


@pytest.mark.parametrize("boots", [[], [1, 2]])
def test_a_fit_is_of_one_boot(boots: list[int]) -> None:
    with pytest.raises(TimeSyncError, match=f"{len(boots)} boots"):
        fit_clock([ClockMark(boot, 0, 0, 0, 0) for boot in boots])


def test_an_exchange_marks_its_middle_across_a_wrap() -> None:
    exchange = ClockExchange(
        boot_id=9,
        received_ticks_us=TICKS_PERIOD_US - 100,
        sent_ticks_us=100,
        host_sent_ns=1_000_000,
        host_received_ns=2_000_001,
        host_unix_ns=50_000_000,
    )
    mark = exchange.time_mark()
    assert mark.device_ticks_us == 0
    assert mark.host_monotonic_ns == 1_500_001
    assert mark.host_unix_ns == 49_500_000
    assert mark.round_trip_us == 800


def test_a_round_trip_is_never_negative() -> None:
    exchange = ClockExchange(1, 0, 5_000, 1_000_000, 2_000_000, 0)
    assert exchange.round_trip_us == 0


def test_the_model_grows_mark_by_mark_and_fits_the_same() -> None:
    marks = TwoClocks(40.0, seed=8).marks(100)
    model = ClockModel()
    for mark in marks:
        model.add(mark)
        assert len(model.fits(1)) == 1
    assert model.fits(1) == ClockModel(marks).fits(1) == (fit_clock(marks),)
    assert model.boot_ids == (1,)


def test_each_boot_has_its_own_line() -> None:
    clocks = TwoClocks(40.0, seed=9)
    first = clocks.marks(60)
    later = HOST_START_NS + 100_000_000_000
    second = [
        clocks.mark(later + second * 1_000_000_000)._replace(boot_id=2, device_us=second * 10**6)
        for second in range(60)
    ]
    model = ClockModel(first + second)
    assert model.boot_ids == (1, 2)
    mapped = model.host_monotonic_ns(2, [0, 30_000_000])
    assert np.abs(mapped - later - np.array([0, 30_000_000_000])).max() < 5_000_000
    with pytest.raises(TimeSyncError, match="00000003"):
        model.host_monotonic_ns(3, [0])


def test_a_host_that_slept_gets_a_second_stretch() -> None:
    """The host's monotonic clock stands still for 90 s while the box goes on."""
    clocks = TwoClocks(40.0, seed=10)
    marks = clocks.marks(120)
    slept_us = 90_000_000
    marks[60:] = [mark._replace(device_us=mark.device_us + slept_us) for mark in marks[60:]]
    model = ClockModel(marks)
    before, after = model.fits(1)
    assert (before.mark_count, after.mark_count) == (60, 60)
    for mark in (marks[10], marks[100]):
        error_ns = int(model.host_monotonic_ns(1, mark.device_us)[0]) - mark.host_monotonic_ns
        assert abs(error_ns) < 1_000_000
    times = np.array([marks[0].device_us, marks[-1].device_us])
    assert np.all(model.uncertainty_us(1, times) < 1000)


def test_a_single_bad_mark_makes_no_stretch() -> None:
    marks = TwoClocks(40.0, seed=11).marks(60)
    bad = marks[30]._replace(host_monotonic_ns=marks[30].host_monotonic_ns + 9_000_000_000)
    marks[30] = bad
    (fit,) = ClockModel(marks).fits(1)
    assert fit.mark_count == 59


def test_a_step_of_the_wall_clock_is_reported_and_not_followed() -> None:
    clocks = TwoClocks(0.0, seed=12)
    marks = clocks.marks(60)
    step_ns = -7_000_000_000
    marks[20:] = [mark._replace(host_unix_ns=mark.host_unix_ns + step_ns) for mark in marks[20:]]
    model = ClockModel(marks)
    (step,) = model.wall_clock_steps
    assert (step.host_monotonic_ns, step.step_ns) == (marks[20].host_monotonic_ns, step_ns)
    times = np.array([mark.device_us for mark in marks])
    wall = model.unix_ns(1, times)
    assert np.array_equal(wall - model.host_monotonic_ns(1, times), np.full(60, WALL_AHEAD_NS))
    assert np.all(np.diff(wall) > 0)


def test_a_wall_clock_that_is_slowly_adjusted_does_not_step() -> None:
    marks = TwoClocks(0.0, seed=13).marks(600)
    slewed = [
        mark._replace(host_unix_ns=mark.host_unix_ns + number * 400_000)  # 400 ppm
        for number, mark in enumerate(marks)
    ]
    assert ClockModel(slewed).wall_clock_steps == ()
