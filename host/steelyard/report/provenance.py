"""Where figures come from: enough to make them again, and to notice what changed since."""

from __future__ import annotations

import hashlib
import platform
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from steelyard import __version__
from steelyard.errors import RecordingStorageError


@dataclass(frozen=True)
class UsedCalibration:
    """One calibration that figures rest on; ``due_on`` empty where it is not dated."""

    channel: int
    quantity: str
    calibration_id: str
    taken_at: str
    age_days: float
    due_on: str
    overdue: bool


@dataclass(frozen=True)
class Provenance:
    """Recording, calibrations, profile, sheet and program, by identity and SHA-256."""

    recording_id: str
    recording_file: str
    recording_sha256: str
    recorded_at: str
    client_code: str
    machine: str
    box_id: str
    firmware_version: str
    calibrations: tuple[UsedCalibration, ...]
    profile_sha256: str
    profile_source: str
    sheet_sha256: str
    sheet_source: str
    sheet_corrections: tuple[str, ...]
    program_version: str = __version__
    numpy_version: str = np.__version__
    processor: str = platform.machine()


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal.  Raises RecordingStorageError."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise RecordingStorageError(
            f"{path} could not be read: {error.strerror or error}.", "Check the file."
        ) from error
