"""The load cell against closed forms: its curve, loop, creep, drift, and weights on it."""

from __future__ import annotations

import random
import statistics
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.simulator.bridge import LoadCell, LoadCellTruth, draw_load_cell
from steelyard.simulator.hanging import HangingWeights

IDEAL = LoadCellTruth(2000.0, 2.0, 0.0, 0.0, 0.0, 0.0, 0.0)
STEP_SECONDS = 0.004


def test_rated_output_in_counts() -> None:
    # HX711 data sheet: counts = V_in / AVDD * gain * 2**24; 2 mV/V, gain 128.
    assert IDEAL.counts(2000.0) == pytest.approx(0.002 * 128 * 2**24)
    assert IDEAL.counts_per_newton() == pytest.approx(0.002 * 128 * 2**24 / 2000.0)
    assert IDEAL.counts(2000.0, gain=64) == pytest.approx(0.002 * 64 * 2**24)


@given(st.floats(-2000.0, 2000.0), st.integers(0, 1000))
def test_force_undoes_counts(force_newtons: float, seed: int) -> None:
    truth = draw_load_cell(2000.0, random.Random(seed))
    assert truth.force_newtons(truth.counts(force_newtons)) == pytest.approx(
        force_newtons, abs=1e-6
    )


def test_nonlinearity_is_greatest_at_half_load_and_nothing_at_the_ends() -> None:
    truth = replace(IDEAL, nonlinearity=0.001)
    full = truth.ratio(2000.0)
    departures = [truth.ratio(f * 20.0) - full * f / 100 for f in range(101)]
    assert departures[0] == departures[100] == pytest.approx(0.0, abs=1e-15)
    assert departures.index(max(departures)) == 50
    assert max(departures) == pytest.approx(0.001 * full)


def loop(truth: LoadCellTruth, low: float = 0.0, high: float = 2000.0) -> tuple[list[float], ...]:
    """Ratios on the way up and down, at the same hundred forces."""
    cell = LoadCell(truth, random.Random(1))
    forces = [low + (high - low) * step / 100 for step in range(101)]
    up = [cell.update(force, STEP_SECONDS) for force in forces]
    down = [cell.update(force, STEP_SECONDS) for force in reversed(forces)]
    return up, down[::-1]


def test_unloading_reads_higher_than_loading_by_the_stated_loop() -> None:
    truth = replace(IDEAL, hysteresis=0.0003)
    up, down = loop(truth)
    opening = [d - u for u, d in zip(up, down, strict=True)]
    assert all(width >= 0.0 for width in opening)
    assert opening[50] == pytest.approx(0.0003 * 0.002, rel=1e-6)
    assert max(opening) <= 0.0003 * 0.002 * 1.000001
    assert opening[100] == pytest.approx(0.0, abs=1e-12)


def test_a_small_loop_is_narrower() -> None:
    truth = replace(IDEAL, hysteresis=0.0003)
    up, down = loop(truth, 900.0, 1100.0)
    assert 0.0 < down[50] - up[50] < 0.0003 * 0.002


def test_without_hysteresis_both_ways_agree() -> None:
    up, down = loop(IDEAL)
    assert up == pytest.approx(down, abs=1e-15)


def test_creep_follows_its_two_lags() -> None:
    # Closed form of two first-order lags: c * ((1 - e^(-t/30)) + 2 (1 - e^(-t/300))) / 3.
    cell = LoadCell(replace(IDEAL, creep=0.0003), random.Random(1))
    readings = {}
    for step in range(1, 75_001):
        ratio = cell.update(1000.0, STEP_SECONDS)
        if step in (7_500, 75_000):
            readings[step] = ratio
    for step, one, two in ((7_500, 0.632121, 0.095163), (75_000, 0.999955, 0.632121)):
        expected = 0.001 + 0.002 * 0.5 * 0.0003 * (one + 2 * two) / 3
        assert readings[step] == pytest.approx(expected, abs=2e-11)


def test_drift_is_a_wander_of_the_stated_size() -> None:
    ends = []
    for seed in range(60):
        cell = LoadCell(replace(IDEAL, drift_mv_per_v=0.001), random.Random(seed))
        ratio = 0.0
        for _ in range(3600):
            ratio = cell.update(0.0, 1.0)
        ends.append(ratio)
    # 60 draws know a standard deviation to 9 %: three of those.
    assert statistics.stdev(ends) == pytest.approx(0.001e-3, rel=0.28)


def test_cells_differ_by_seed_and_only_by_seed() -> None:
    assert draw_load_cell(500.0, random.Random(3)) == draw_load_cell(500.0, random.Random(3))
    assert draw_load_cell(500.0, random.Random(3)) != draw_load_cell(500.0, random.Random(4))


def test_a_hanging_weight_pulls_with_its_weight_less_the_air() -> None:
    # OIML R 111: conventional density 8000 kg/m3 in air of 1.2 kg/m3.
    weights = HangingWeights(9.81, random.Random(1))
    weights.hang(20.0)
    for _ in range(5000):
        force = weights.update(STEP_SECONDS)
    assert force == pytest.approx(20.0 * 9.81 * (1 - 1.2 / 8000), rel=1e-6)


def test_a_weight_just_hung_swings() -> None:
    weights = HangingWeights(9.81, random.Random(1))
    weights.hang(20.0)
    early = [weights.update(STEP_SECONDS) for _ in range(500)][250:]
    late = [weights.update(STEP_SECONDS) for _ in range(2500)][2000:]
    assert max(early) - min(early) > 1.0
    assert max(late) - min(late) < 0.05


def test_on_a_lever_only_a_share_reaches_the_cell() -> None:
    weights = HangingWeights(9.81, random.Random(1))
    weights.hang(10.0, share=1.5)
    for _ in range(5000):
        force = weights.update(STEP_SECONDS)
    assert force == pytest.approx(1.5 * weights.still_newtons(10.0), rel=1e-6)
