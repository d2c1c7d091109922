"""Does the stated interval hold the truth as often as it says?

Everything that may be wrong is drawn for every bench (masses within their
class, gravity within its anomaly, air, slope and zero of each run...), it is
calibrated, and the truth, which the bench knows, is looked for inside U at 95 %.

An interval that is right 95 times in 100 holds the truth fewer than 87 times of
100 once in two thousand such tests (binomial law): that is the bound used here.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import ForceCalibration, calibrate_force

SEEDS = 100
FAIR = range(87, 101)


@cache
def calibrations() -> list[tuple[Bench, ForceCalibration]]:
    made = []
    for seed in range(SEEDS):
        bench = Bench(seed)
        points = bench.points()
        made.append(
            (bench, calibrate_force(points, bench.conditions, BINDING, weights=bench.by_name))
        )
    return made


def held(inside: Callable[[Bench, ForceCalibration], bool], draw: int = 0) -> int:
    """Of ``SEEDS`` calibrations, how many held the truth."""
    count = 0
    for bench, calibration in calibrations():
        # what is drawn here must not depend on which tests ran before
        bench.random = np.random.default_rng([bench.seed, draw])
        count += inside(bench, calibration)
    return count


def test_sensitivity(record_property: Callable[[str, object], None]) -> None:
    def inside(bench: Bench, calibration: ForceCalibration) -> bool:
        full = bench.full_newtons
        true = (bench.true_counts(full) - bench.true_counts(0.0)) / full
        found = calibration.model.sensitivity_counts_per_newton
        return abs(found - true) <= calibration.sensitivity_budget().expanded_uncertainty

    count = held(inside)
    record_property("sensitivity_inside_of_100", count)
    assert count in FAIR


def test_zero(record_property: Callable[[str, object], None]) -> None:
    def inside(bench: Bench, calibration: ForceCalibration) -> bool:
        error = calibration.model.zero_counts - bench.zero_counts
        return abs(error) <= calibration.zero_budget().expanded_uncertainty

    count = held(inside)
    record_property("zero_inside_of_100", count)
    assert count in FAIR


@pytest.mark.parametrize("zeroed", [False, True], ids=["as it stands", "zeroed"])
@pytest.mark.parametrize("share", [0.0, 0.2, 0.5, 0.8, 1.0])
def test_fresh_reading(
    share: float, zeroed: bool, record_property: Callable[[str, object], None]
) -> None:
    def inside(bench: Bench, calibration: ForceCalibration) -> bool:
        occasion, newtons = bench.occasion(), share * bench.full_newtons
        zero = None
        if zeroed:
            unloaded = bench.counts(0.0, True, occasion) + bench.random.normal(0.0, 3.0)
            zero = calibration.take_zero(unloaded, 3.0, "2026-01-01T08:00:00Z")
        counts = bench.counts(newtons, bool(bench.random.integers(2)), occasion)
        counts += bench.random.normal(0.0, bench.sample_noise_counts)
        read = calibration.force([counts], zero=zero)
        found = float(read.force_newtons[0])
        budget = calibration.budget(found, zero=zero)
        return abs(found - newtons) <= budget.expanded_uncertainty

    count = held(inside, draw=1 + int(share * 10) + 100 * zeroed)
    record_property("reading_inside_of_100", count)
    assert count in FAIR


def test_intervals_are_not_simply_wide() -> None:
    # an interval that always holds the truth because it is wide proves nothing
    errors, stated = [], []
    for bench, calibration in calibrations():
        full = bench.full_newtons
        true = (bench.true_counts(full) - bench.true_counts(0.0)) / full
        errors.append(calibration.model.sensitivity_counts_per_newton / true - 1.0)
        stated.append(calibration.sensitivity_budget().standard_uncertainty / true)
    ratio = float(np.sqrt(np.mean(np.square(errors))) / np.sqrt(np.mean(np.square(stated))))
    assert 0.7 < ratio < 1.3
