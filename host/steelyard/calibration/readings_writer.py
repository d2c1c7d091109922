"""Readings to a file that ``read_readings`` takes: what was hung and read is never lost."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

from steelyard.calibration.readings_file import ReadingsFile
from steelyard.calibration.readings_parts import PLAIN_CONDITIONS
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import CalibrationFileError


def readings_text(readings: ReadingsFile) -> str:
    """The readings as JSON text; the same when parsed again."""
    conditions = readings.conditions
    plain = {name: getattr(conditions, name) for name in PLAIN_CONDITIONS}
    content: dict[str, Any] = {
        "points": [
            {
                "run": point.run,
                "direction": point.direction.value,
                "mass_kg": point.mass_kg,
                "counts_mean": point.counts_mean,
                "counts_standard_error": point.counts_standard_error,
                "sample_count": point.sample_count,
                "weights": list(point.weights),
            }
            for point in readings.points
        ],
        "weights": [weight.as_plain() for weight in readings.weights.values()],
        "gravity": {
            "value": conditions.gravity.value,
            "standard_uncertainty": conditions.gravity.standard_uncertainty,
        },
        "conditions": {name: value for name, value in plain.items() if value not in (None, "")},
        "in_service": dataclasses.asdict(conditions.in_service),
    }
    if readings.arm is not None:
        content["arm"] = dataclasses.asdict(readings.arm)
    if readings.binding is not None:
        content["box"] = dataclasses.asdict(readings.binding)
    if readings.creep is not None:
        held = readings.creep.held
        content["creep"] = {
            "unloaded_counts": held[0][1] - readings.creep.load_counts,
            "held": [list(pair) for pair in held],
        }
    return json.dumps(content, indent=1)


def save_readings(readings: ReadingsFile, path: Path) -> Path:
    """Write them; gives the path.

    Raises:
        CalibrationFileError: the disk refuses.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, readings_text(readings).encode("utf-8"))
    except OSError as error:
        raise CalibrationFileError(
            f"The readings could not be written to {path}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error
    return path
