"""Torque by weights on the arm: T = m g r cos φ, its budget, its record."""

from __future__ import annotations

import dataclasses
import json
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import (
    LeverArm,
    TorqueCalibration,
    calibrate_torque,
    load_any_calibration,
    load_calibration,
    load_torque_calibration,
    save_calibration,
)
from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.canonical_json import sealed_text
from steelyard.errors import CalibrationError, CalibrationFileError, PoorFitError

ARM = LeverArm(0.35, 0.0004, 20.0, 0.3)


@cache
def calibration(arm: LeverArm = ARM) -> TorqueCalibration:
    bench = Bench(3, taken_at="2026-01-12T09:30:00Z")
    return calibrate_torque(bench.points(), arm, bench.conditions, BINDING, weights=bench.by_name)


def test_torque_is_force_times_horizontal_distance() -> None:
    made = calibration()
    counts = [4.1e4, 4e5, 8e5]
    force = made.pull.force(counts).force_newtons
    np.testing.assert_allclose(
        made.torque(counts).torque_newton_metres, force * 0.35 * math.cos(math.radians(20.0))
    )
    assert made.high_newton_metres == pytest.approx(
        981.0 * 0.35 * math.cos(math.radians(20.0)), 1e-3
    )
    assert made.sensitivity_counts_per_newton_metre == pytest.approx(812.5 / ARM.metres, rel=1e-3)


@pytest.mark.parametrize("zeroed", [False, True])
@pytest.mark.parametrize("age", [0.0, 400.0])
def test_fast_sum_and_budget_agree(zeroed: bool, age: float) -> None:
    made = calibration()
    zero = made.take_zero(made.pull.model.zero_counts + 300.0, 4.0, "now") if zeroed else None
    read = made.torque([5e4, 3e5, 9e5], zero=zero, age_days=age)
    for torque, u in zip(
        read.torque_newton_metres, read.standard_uncertainty_newton_metres, strict=True
    ):
        budget = made.budget(float(torque), zero=zero, age_days=age)
        assert budget.unit == "N·m"
        assert budget.standard_uncertainty == pytest.approx(u)


def test_arm_length_and_angle_have_lines_of_their_own() -> None:
    lines = {line.name: line for line in calibration().budget(300.0).lines}
    force = 300.0 / ARM.metres
    assert lines["arm length"].contribution == pytest.approx(
        force * math.cos(math.radians(20.0)) * 0.0004
    )
    slope = force * 0.35 * math.sin(math.radians(20.0)) * math.radians(0.3)
    assert lines["arm angle"].contribution == pytest.approx(slope, rel=1e-3)
    # at 0° the slope vanishes, what is left is of second order, and not nothing
    level = calibration(LeverArm(0.35, 0.0004, 0.0, 1.0)).budget(300.0)
    flat = next(line for line in level.lines if line.name == "arm angle")
    assert flat.contribution == pytest.approx(300.0 * math.radians(1.0) ** 2 / math.sqrt(2.0))


def test_sensitivity_carries_the_arm() -> None:
    made = calibration()
    of_pull = made.pull.sensitivity_budget()
    relative = np.hypot(
        of_pull.standard_uncertainty / made.pull.model.sensitivity_counts_per_newton,
        ARM.relative_uncertainty,
    )
    budget = made.sensitivity_budget()
    assert budget.unit == "counts/(N·m)"
    assert budget.standard_uncertainty == pytest.approx(
        relative * made.sensitivity_counts_per_newton_metre, rel=1e-6
    )


def test_no_reading_stays_no_reading() -> None:
    read = calibration().torque([NO_COUNTS, 4e5])
    assert np.isnan(read.torque_newton_metres[0])
    assert np.isnan(read.standard_uncertainty_newton_metres[0])
    assert not np.isnan(read.torque_newton_metres[1])


def test_summary_is_in_newton_metres() -> None:
    text = "\n".join(calibration().summary_lines())
    assert calibration().calibration_id[:12] in text
    assert "N·m (k = " in text
    assert "0.35 ± 0.0008 m" in text
    assert "counts/(N·m)" in text
    assert "counts/N " not in text
    assert "due: 2027-01-12" in text


def test_round_trip_and_kinds_are_kept_apart(tmp_path: Path) -> None:
    path = save_calibration(calibration(), tmp_path)
    again = load_torque_calibration(path, BINDING)
    assert again == calibration()
    assert again.calibration_id == calibration().calibration_id
    assert again.refit().calibration_id == again.calibration_id
    assert load_any_calibration(path) == calibration()
    with pytest.raises(CalibrationFileError, match="steelyard torque calibration") as refused:
        load_calibration(path)
    assert str(path) in refused.value.what
    content = json.loads(path.read_text(encoding="ascii"))
    del content["arm"]
    with pytest.raises(CalibrationFileError, match="lacks or misuses"):
        TorqueCalibration.from_json(sealed_text(content))


def test_edited_torque_file_is_named(tmp_path: Path) -> None:
    path = save_calibration(calibration(), tmp_path)
    path.write_text(path.read_text(encoding="ascii").replace("0.35", "0.36", 1), encoding="ascii")
    for load in (load_any_calibration, load_torque_calibration):
        with pytest.raises(CalibrationFileError, match="changed after it was made") as refused:
            load(path)
        assert path.name in refused.value.what


def test_expected_sensitivity_is_per_newton_metre() -> None:
    bench = Bench(3)
    expected = calibration().sensitivity_counts_per_newton_metre
    calibrate_torque(
        bench.points(), ARM, bench.conditions, BINDING, weights=bench.by_name,
        expected_counts_per_newton_metre=expected,
    )  # fmt: skip
    # the weights hung 20 mm further out than was written
    with pytest.raises(PoorFitError, match="hang elsewhere"):
        calibrate_torque(
            Bench(3).points(), LeverArm(0.37, 0.0004, 20.0, 0.3), bench.conditions, BINDING,
            weights=bench.by_name, expected_counts_per_newton_metre=expected,
        )  # fmt: skip


def test_arm_that_cannot_be() -> None:
    for arm in ({"length_metres": 0.0}, {"angle_degrees": 80.0}):
        with pytest.raises(CalibrationError, match="not usable"):
            dataclasses.replace(ARM, **arm)  # type: ignore[arg-type]
