"""Angle channels: direction, offset, wrap, potentiometer, positions that contradict."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.calibration.angle_fit import calibrate_angle, refit_angle
from steelyard.calibration.angle_points import AngleConditions, AnglePoint, mean_counts
from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.calibration_file import (
    load_angle_calibration,
    load_any_calibration,
    save_calibration,
)
from steelyard.calibration.readings import Binding
from steelyard.errors import CalibrationError, CalibrationFileError, PoorFitError

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
    made = calibrate_angle(points, BINDING, counts_per_turn=TURN, conditions=AngleConditions(0.3))
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


def bowed(angle: float) -> float:
    """A potentiometer that is not straight: 6° of bow at its ends."""
    return 30_000.0 + 210.0 * (angle + 6.0 * (angle / 45.0) ** 2)


def test_a_bowed_potentiometer_gets_a_table() -> None:
    angles = np.arange(-45.0, 46.0, 10.0)
    points = [AnglePoint(float(angle), bowed(angle)) for angle in angles]
    with pytest.raises(PoorFitError, match="ask for a table"):
        calibrate_angle(points[::3], BINDING, counts_per_turn=0)
    made = calibrate_angle(points[::-1], BINDING, counts_per_turn=0, table=True)
    between = np.linspace(-45.0, 45.0, 181)
    read = made.angle([bowed(angle) for angle in between])
    # the outermost stretches have no neighbour to judge by
    assert np.abs(read.angle_degrees - between).max() <= 1.1 * made.table_error_degrees
    assert not read.extrapolated.any()
    assert made.angle([bowed(60.0)]).extrapolated[0]
    assert made.budget(0.0).standard_uncertainty == pytest.approx(
        float(read.standard_uncertainty_degrees[90])
    )
    assert np.abs(made.residuals_degrees).max() < 1e-9
    assert "table of 10 rows" in "\n".join(made.summary_lines())


def test_tables_that_are_none() -> None:
    points = [AnglePoint(float(angle), 100.0 * angle) for angle in range(0, 60, 10)]
    with pytest.raises(PoorFitError, match="too short"):
        calibrate_angle(points[:4], BINDING, counts_per_turn=0, table=True)
    with pytest.raises(PoorFitError, match="turns with the shaft"):
        calibrate_angle(points, BINDING, counts_per_turn=TURN, table=True)
    worn = [*points[:3], AnglePoint(30.0, 1900.0), *points[4:]]
    with pytest.raises(PoorFitError, match=r"Between 30° \(1900"):
        calibrate_angle(worn, BINDING, counts_per_turn=0, table=True)
    wrong = [*points[:3], AnglePoint(39.5, 3000.0), *points[4:]]
    with pytest.raises(PoorFitError, match=r"39\.5° is 9\.5° off"):
        calibrate_angle(wrong, BINDING, counts_per_turn=0, table=True)


@pytest.mark.parametrize("kind", ["two positions", "harmonic", "potentiometer", "table"])
def test_record_is_sealed_and_reads_back(kind: str, tmp_path: Path) -> None:
    conditions = AngleConditions(0.2, 0.1, taken_at="2026-01-12T10:00:00Z", operator="T-2")
    arc = {"two positions": [0.0, 30.0], "harmonic": list(np.arange(0.0, 180.0, 20.0))}
    turn = TURN if kind in arc else 0
    angles = arc.get(kind, [-40.0, -20.0, 0.0, 20.0, 40.0])
    points = [
        AnglePoint(float(a), counts_at(a, 1, 500.0) if turn else 30_000.0 + 200.0 * a)
        for a in angles
    ]
    made = calibrate_angle(
        points, BINDING, counts_per_turn=turn, conditions=conditions, table=kind == "table"
    )
    path = save_calibration(made, tmp_path)
    again = load_angle_calibration(path, BINDING)
    assert again == made
    assert refit_angle(again).calibration_id == made.calibration_id
    assert load_any_calibration(path) == made
    assert made.due_on is not None
    path.write_text(path.read_text().replace("0.2", "0.1", 1))
    with pytest.raises(CalibrationFileError, match="changed") as refused:
        load_angle_calibration(path)
    assert path.name in refused.value.what


def test_budget_names_the_cross_talk() -> None:
    angles = [0.0, 30.0, 60.0]
    points = [AnglePoint(angle, counts_at(angle, 1, 500.0)) for angle in angles]
    silent = calibrate_angle(points, BINDING, counts_per_turn=TURN)
    assert any("no bound is stated" in remark for remark in silent.remarks)
    stated = calibrate_angle(
        points, BINDING, counts_per_turn=TURN,
        conditions=AngleConditions(0.3, 0.4, taken_at="2026-01-12"),
    )  # fmt: skip
    assert stated.remarks == ()
    assert stated.budget(30.0).standard_uncertainty == pytest.approx(
        float(np.hypot(0.3, 0.4 / np.sqrt(3.0))), rel=1e-6
    )
    with pytest.raises(CalibrationError, match="cross-talk"):
        AngleConditions(cross_talk_bound_degrees=50.0)
    with pytest.raises(CalibrationError, match="position"):
        AnglePoint(10.0, float("nan"))


def test_mean_of_counts_about_the_wrap() -> None:
    assert mean_counts([4095, 0, 1, 2], 4096) == pytest.approx(0.5)
    assert mean_counts([4090, 4094], 4096) == pytest.approx(4092.0)
    assert mean_counts([10, 20], 0) == 15.0
    with pytest.raises(CalibrationError, match="No angle sample"):
        mean_counts([], 4096)
