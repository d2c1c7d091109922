"""Readings written and read back are the same readings."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from steelyard.calibration import (
    Conditions,
    Direction,
    Gravity,
    InService,
    LeverArm,
    LoadPoint,
    ReadingsFile,
    Weight,
    creep_test,
    read_readings,
)
from steelyard.calibration.readings import Binding
from steelyard.calibration.readings_writer import save_readings
from steelyard.errors import CalibrationFileError, ReadingsFileError

WEIGHTS = {
    "A": Weight("A", 20.0, oiml_class="M1"),
    "B": Weight("B", 5.0, certified_kg=5.00012, expanded_kg=0.0001),
    "plate": Weight("plate", 10.0, mpe_kg=0.02, traceable=False),
}
POINTS = (
    LoadPoint(1, Direction.UP, 0.0, -8790.25, 1.5, 240),
    LoadPoint(1, Direction.UP, 25.0, 519_812.75, 2.25, 241, ("A", "B")),
    LoadPoint(1, Direction.DOWN, 10.0, 203_000.125, 2.0, 250, ("plate",)),
)
CONDITIONS = Conditions(
    gravity=Gravity.entered(9.8124, 0.0005),
    temperature_celsius=21.5,
    taken_at="2026-11-25T10:00:00Z",
    operator="technician 2",
    in_service=InService(valid_days=180),
)


@pytest.mark.parametrize("arm", [None, LeverArm(0.31, 0.0005, 2.0, 0.3)])
def test_there_and_back(arm: LeverArm | None, tmp_path: Path) -> None:
    crept = [(2.0 + 3.0 * step, 520_000.0 + 3.0 * step) for step in range(400)]
    box = Binding("e66164084319a52c", 1, "LC-0042", 64, "1.2.0") if arm else None
    kept = ReadingsFile(POINTS, WEIGHTS, CONDITIONS, arm, creep_test(-8790.0, crept), box)
    path = save_readings(kept, tmp_path / "new" / "kept.readings.json")
    assert read_readings(path) == kept
    assert path.stat().st_mode & 0o044, "a calibration is to be shared"


def test_a_refusing_disk_is_an_error_of_ours(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.touch()
    kept = ReadingsFile(POINTS, WEIGHTS, replace(CONDITIONS, note="x"))
    with pytest.raises(CalibrationFileError, match="could not be written"):
        save_readings(kept, blocked / "kept.readings.json")


@pytest.mark.parametrize(
    "box", [[], {}, {"box_id": "e6"}, {"box_id": "e6", "channel": "1", "sensor_serial": "",
                                       "gain": 128, "firmware": ""}],
)  # fmt: skip
def test_a_box_half_stated_is_refused(box: object, tmp_path: Path) -> None:
    path = save_readings(ReadingsFile(POINTS, WEIGHTS, CONDITIONS), tmp_path / "a.readings.json")
    content = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**content, "box": box}), encoding="utf-8")
    with pytest.raises(ReadingsFileError, match="which channel of which box"):
        read_readings(path)
