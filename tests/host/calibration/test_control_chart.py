"""Control charts: drift is noticed, chance is not, nonsense is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from steelyard.calibration.control_chart import (
    cusum,
    ewma_chart,
    individuals_chart,
    moving_range_sd,
)
from steelyard.errors import CalibrationError


def checks(shift: float, count: int = 30, seed: int = 1) -> list[float]:
    """Thirty checks with a 20 kg weight: newtons, the last ten shifted."""
    values = np.random.default_rng(seed).normal(196.2, 0.05, count)
    values[-10:] += shift
    return [float(value) for value in values]


def test_moving_range_estimates_the_deviation_under_drift() -> None:
    random = np.random.default_rng(2)
    values = random.normal(0.0, 1.0, 4000) + np.linspace(0.0, 100.0, 4000)
    assert moving_range_sd(values.tolist()) == pytest.approx(1.0, rel=0.05)


def test_a_jump_is_outside_the_individuals_chart_and_chance_mostly_not() -> None:
    sound = 0
    for seed in range(50):
        jumped = individuals_chart(checks(0.6, seed=seed), baseline=20)
        assert set(jumped.outside) >= set(range(20, 30))
        sound += individuals_chart(checks(0.0, seed=seed), baseline=20).in_control
    # limits from 20 values are themselves uncertain: about one set of 30 in seven strays
    assert sound >= 35


def test_ewma_sees_a_small_shift_sooner_than_the_individuals() -> None:
    by_ewma = by_individuals = 0
    for seed in range(50):
        values = checks(0.08, seed=seed)
        smoothed = ewma_chart(values, 196.2, 0.05, weight=0.2)
        bounds = 196.2 - 3 * 0.05, 196.2 + 3 * 0.05
        by_ewma += bool(smoothed.outside) and min(smoothed.outside) >= 20
        by_individuals += any(not bounds[0] <= value <= bounds[1] for value in values)
    assert by_ewma >= 40
    assert by_ewma > by_individuals


def test_ewma_limits_grow_to_their_final_width() -> None:
    growing = ewma_chart([0.0] * 60, 0.0, 1.0)
    final = ewma_chart([0.0] * 60, 0.0, 1.0, asymptotic=True)
    assert growing.upper[0] == pytest.approx(3.0 * 0.3)
    assert list(growing.upper) == sorted(growing.upper)
    assert growing.upper[-1] == pytest.approx(final.upper[-1])


def test_cusum_works_both_ways() -> None:
    down = cusum(checks(-0.1), 196.2, 0.025, 0.25)
    assert down.low_signals
    assert min(down.low_signals) >= 20
    assert not down.high_signals


@pytest.mark.parametrize("values", [[], [1.0]])
def test_too_few_checks(values: list[float]) -> None:
    with pytest.raises(CalibrationError, match="no control chart"):
        individuals_chart(values)


@pytest.mark.parametrize("sd", [0.0, -1.0, math.nan, math.inf])
def test_no_chart_without_a_deviation(sd: float) -> None:
    with pytest.raises(CalibrationError):
        ewma_chart([1.0, 2.0], 1.5, sd)
    with pytest.raises(CalibrationError):
        cusum([1.0, 2.0], 1.5, 0.5, sd)
