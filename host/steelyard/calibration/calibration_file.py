"""Calibrations on disk: written once, never changed, accepted only untouched."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from typing import Final

from steelyard.calibration.force_calibration import ForceCalibration
from steelyard.calibration.readings import Binding
from steelyard.errors import CalibrationFileError

SUFFIX: Final = ".calibration.json"
LARGEST_BYTES: Final = 8_000_000
"""No calibration comes near this; a recording opened by mistake is not read to its end."""


def file_name(calibration: ForceCalibration) -> str:
    """Name that says what it is for and cannot collide: box, channel, start of the id."""
    binding = calibration.binding
    return f"{binding.box_id}-ch{binding.channel}-{calibration.calibration_id[:12]}{SUFFIX}"


def save_calibration(calibration: ForceCalibration, folder: Path) -> Path:
    """Write the calibration into ``folder`` under its own name; gives the path.

    The same calibration saved twice is one file.  Raises CalibrationFileError
    when the disk refuses or another content has taken the name.
    """
    path = folder / file_name(calibration)
    data = calibration.to_json().encode("ascii")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if path.exists():
            _require_same(path, data)
            return path
        _write_whole(path, data)
    except OSError as error:
        raise CalibrationFileError(
            f"The calibration could not be written to {path}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error
    return path


def load_calibration(path: Path, present: Binding | None = None) -> ForceCalibration:
    """Read a calibration; with ``present``, only when it belongs to that box and sensor.

    Raises CalibrationFileError when it cannot be read or was changed by a byte,
    WrongBoxError when it belongs elsewhere.
    """
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES)
    except OSError as error:
        raise CalibrationFileError(
            f"The calibration {path} could not be read: {error.strerror or error}.",
            "Check the name; calibrations are kept where they were saved.",
        ) from error
    try:
        text = data.decode("ascii")
    except UnicodeDecodeError as error:
        raise CalibrationFileError(
            f"{path} holds bytes that no stored calibration has (at byte {error.start}).",
            "Use an untouched copy, or calibrate again.",
        ) from error
    calibration = ForceCalibration.from_json(text)
    if present is not None:
        calibration.binding.require(present)
    return calibration


def _require_same(path: Path, data: bytes) -> None:
    if path.read_bytes() != data:
        raise CalibrationFileError(
            f"{path} exists and differs from the calibration that owns this name.",
            "A stored calibration is never overwritten: move the damaged file away.",
        )


def _write_whole(path: Path, data: bytes) -> None:
    """Write beside the target and rename, so that no half calibration is ever seen."""
    handle, temporary = tempfile.mkstemp(prefix=path.name, suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            Path(temporary).unlink()
        raise
