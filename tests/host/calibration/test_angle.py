"""Angle channels: direction, offset, wrap, potentiometer, positions that contradict."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration.angle_calibration import (
    AngleCalibration,
    AnglePoint,
    calibrate_angle,
)
from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.readings import Binding
from steelyard.errors import PoorFitError

BINDING = Binding("e66164084319a52c", 2, "AM-0007", 1)
TURN = 4096


def counts_at(angle: float, direction: int, zero: float) -> float:
    return (zero + direction * angle * TURN / 360.0) % TURN


def calibrated(angles: list[float], direction: int = 1, zero: float = 1000.0) -> AngleCalibration:
    points = [AnglePoint(angle, counts_at(angle, direction, zero)) for angle in angles]
    return calibrate_angle(points, BINDING, counts_per_turn=TURN)


@given(
    st.floats(0.0, 4095.9),
    st.sampled_from([1, -1]),
    st.floats(-170.0, 80.0),
    st.floats(10.0, 90.0),
)
def test_direction_and_offset_wherever_the_magnet_was_glued(
    zero: float, direction: int, low: float, arc: float
) -> None:
    made = calibrated([low, low + arc / 2.0, low + arc], direction, zero)
    assert made.direction == direction
    inside = np.linspace(low, low + arc, 7)
    counts = np.array([counts_at(angle, direction, zero) for angle in inside])
    np.testing.assert_allclose(made.angle(counts).angle_degrees, inside, atol=1e-9)
    assert not made.angle(counts).extrapolated.any()


def test_passing_the_zero_of_the_sensor_makes_no_jump() -> None:
    made = calibrated([-30.0, 0.0, 40.0], zero=4000.0)
    sweep = np.linspace(-40.0, 60.0, 500)
    found = made.angle([counts_at(angle, 1, 4000.0) for angle in sweep]).angle_degrees
    assert np.abs(np.diff(found)).max() < 0.3


def test_beyond_the_positions_is_flagged() -> None:
    made = calibrated([0.0, 30.0, 60.0])
    counts = [counts_at(angle, 1, 1000.0) for angle in (-8.0, -2.0, 63.0, 70.0)]
    assert made.angle(counts).extrapolated.tolist() == [True, False, False, True]


def test_no_reading_stays_no_reading() -> None:
    for made in (calibrated([0.0, 30.0]), calibrated(list(np.arange(0.0, 180.0, 20.0)))):
        read = made.angle([NO_COUNTS, 1000.0])
        assert np.isnan(read.angle_degrees[0])
        assert np.isnan(read.standard_uncertainty_degrees[0])
        assert read.angle_degrees[1] == pytest.approx(0.0, abs=1e-9)


def test_uncertainty_is_that_of_the_inclinometer_and_the_scatter() -> None:
    random = np.random.default_rng(1)
    angles = np.linspace(0.0, 60.0, 40)
    counts = 1000.0 + (angles + random.normal(0.0, 0.4, 40)) * TURN / 360.0
    points = [AnglePoint(float(a), float(c)) for a, c in zip(angles, counts, strict=True)]
    made = calibrate_angle(points, BINDING, counts_per_turn=TURN, reference_uncertainty_degrees=0.3)
    u = float(made.angle([1200.0]).standard_uncertainty_degrees[0])
    assert u == pytest.approx(np.hypot(0.3, 0.4), rel=0.15)
    assert made.eccentricity_degrees == 0.0


@pytest.mark.parametrize("rising", [1, -1])
def test_potentiometer_gets_a_line(rising: int) -> None:
    angles = [-20.0, 0.0, 20.0, 45.0]
    points = [AnglePoint(angle, 30_000.0 + rising * 210.0 * angle) for angle in angles]
    made = calibrate_angle(points, BINDING, counts_per_turn=0)
    assert made.direction == rising
    assert made.eccentricity_degrees == 0.0
    found = made.angle([30_000.0 + rising * 210.0 * 10.0, 30_000.0 + rising * 210.0 * 60.0])
    assert found.angle_degrees == pytest.approx([10.0, 60.0])
    assert found.extrapolated.tolist() == [False, True]
    assert found.standard_uncertainty_degrees[0] == pytest.approx(0.3)


def test_a_position_that_contradicts_is_named() -> None:
    points = [AnglePoint(angle, counts_at(angle, 1, 500.0)) for angle in (0.0, 15.0, 30.0, 45.0)]
    points[2] = AnglePoint(38.0, points[2].counts_mean)
    with pytest.raises(PoorFitError, match=r"Position 3 \(38°\)"):
        calibrate_angle(points, BINDING, counts_per_turn=TURN)


@pytest.mark.parametrize("angles", [[], [10.0], [10.0, 12.0]])
def test_too_few_positions(angles: list[float]) -> None:
    with pytest.raises(PoorFitError, match="cannot give the direction"):
        calibrated(angles)
