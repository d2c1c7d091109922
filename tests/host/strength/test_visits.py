"""Visit to visit: when a change is real, where the bound is from, and what learning looks like."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from steelyard.errors import AnalysisError
from steelyard.strength.limits_of_agreement import limits_of_agreement
from steelyard.strength.machine_profile import Joint
from steelyard.strength.measured import Measured
from steelyard.strength.reliability import reliability, sem_from_icc
from steelyard.strength.visits import (
    LITERATURE,
    detectable_change,
    judge_change,
    learning_effect,
    trend,
)


def repeats(clients: int, sem: float, seed: int = 1, tests: int = 2) -> np.ndarray:  # type: ignore[type-arg]
    source = np.random.default_rng(seed)
    own = source.normal(200.0, 40.0, (clients, 1))
    return np.asarray(own + source.normal(0.0, sem, (clients, tests)))


def test_the_error_of_measurement_is_recovered() -> None:
    found = reliability(repeats(2000, 10.0))
    assert found.sem == pytest.approx(10.0, rel=0.05)
    assert found.icc["2,1"] == pytest.approx(40.0**2 / (40.0**2 + 10.0**2), abs=0.02)
    # SEM = SD sqrt(1 - ICC) (Weir 2005) is the same thing
    scores = repeats(2000, 10.0)
    assert sem_from_icc(float(scores.std(ddof=1)), found.icc["2,1"]) == pytest.approx(
        10.0, rel=0.05
    )


def test_one_in_twenty_repeats_of_unchanged_clients_exceeds_the_detectable_change() -> None:
    own = detectable_change(repeats(4000, 10.0, seed=2), Joint.LUMBAR)
    pairs = repeats(4000, 10.0, seed=3)
    beyond = np.mean(np.abs(pairs[:, 1] - pairs[:, 0]) > own.at(200.0))
    assert beyond == pytest.approx(0.05, abs=0.012)


def test_literature_stands_in_until_there_are_enough_own_repeats() -> None:
    for few in (None, repeats(4, 10.0)):
        assert detectable_change(few, Joint.LUMBAR) is LITERATURE[Joint.LUMBAR]
    own = detectable_change(repeats(12, 10.0), Joint.LUMBAR)
    assert "own repeat tests of 12 clients" in own.source
    neck = LITERATURE[Joint.CERVICAL]
    assert neck.percent
    assert neck.at(50.0) == pytest.approx(10.05)
    # SEE 25.1 N·m, r 0.93: SEM = SEE / sqrt(1 + r), MDC95 = 1.96 sqrt(2) SEM
    assert LITERATURE[Joint.LUMBAR].value == pytest.approx(
        1.96 * 2**0.5 * 25.1 / 1.93**0.5, rel=1e-3
    )


def test_a_change_is_judged_and_the_source_of_the_bound_is_named() -> None:
    before = Measured(200.0, 1.0, "N·m")
    own = detectable_change(repeats(200, 10.0), Joint.LUMBAR)
    small = judge_change(before, Measured(215.0, 1.0, "N·m"), own)
    large = judge_change(before, Measured(245.0, 1.0, "N·m"), own)
    assert not small.real
    assert large.real
    assert "own repeat tests" in large.text
    # an uncertain measurement cannot make a change real that repeats would allow
    blurred = judge_change(before, Measured(245.0, 40.0, "N·m"), own)
    assert not blurred.real


def test_the_trend_is_scipys_line() -> None:
    days, torque = [0.0, 7.0, 20.0, 31.0, 60.0], [180.0, 184.0, 190.0, 189.0, 204.0]
    found = trend(days, torque)
    line = stats.linregress(days, torque)
    assert found.per_month.value == pytest.approx(30.0 * line.slope, rel=1e-9)
    assert found.per_month.standard_uncertainty == pytest.approx(30.0 * line.stderr, rel=1e-9)
    assert found.coverage_factor == pytest.approx(stats.t.ppf(0.975, 3), rel=1e-9)
    assert found.real
    with pytest.raises(AnalysisError, match="no trend"):
        trend([0.0, 7.0], [1.0, 2.0])


def test_learning_is_pointed_out_and_chance_is_not() -> None:
    scores = repeats(30, 8.0, seed=5, tests=3)
    assert not learning_effect(scores).present
    scores[:, 1:] += 18.0
    found = learning_effect(scores)
    assert found.present
    assert found.first_nm == pytest.approx(18.0, abs=6.0)
    assert found.later_nm == pytest.approx(0.0, abs=5.0)
    assert "baseline" in found.text()
    test = stats.ttest_rel(scores[:, 1], scores[:, 0]).confidence_interval(0.95)
    assert found.interval_nm == pytest.approx((test.low, test.high), rel=1e-9)


def test_too_few_numbers_are_refused() -> None:
    with pytest.raises(AnalysisError):
        reliability([[1.0, 2.0]])
    with pytest.raises(AnalysisError):
        reliability([[1.0, float("nan")], [2.0, 3.0]])
    with pytest.raises(AnalysisError):
        limits_of_agreement([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(AnalysisError):
        learning_effect([[1.0, 2.0], [2.0, 3.0]])
    with pytest.raises(AnalysisError):
        sem_from_icc(10.0, 1.2)
