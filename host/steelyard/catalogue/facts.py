"""What a recording file says about itself: its hash, its validation, its calibrations."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from steelyard_protocol.records import DocumentKind

from steelyard.calibration.calibration_file import AnyCalibration, parse_calibration
from steelyard.errors import CalibrationError, CatalogueError
from steelyard.recording.append_file import is_being_written, storage_error
from steelyard.recording.contents import Contents, Origin, origin
from steelyard.recording.documents import Document
from steelyard.recording.scan import Progress, RecordingScan
from steelyard.recording.validation_report import ValidationReport
from steelyard.recording.validator import validate

_BLOCK_BYTES = 1 << 20


@dataclass(frozen=True)
class RecordingFacts:
    """One recording as the catalogue knows it.

    ``calibrations``: those that the recording carries and that are untouched.
    """

    path: Path
    sha256: str
    origin: Origin
    report: ValidationReport
    calibrations: tuple[AnyCalibration, ...]

    @property
    def started(self) -> datetime:
        """When it began, by the host's wall clock, UTC."""
        return datetime.fromtimestamp(self.origin.started_unix_ns / 1e9, UTC)

    @property
    def duration_seconds(self) -> float:
        """Time of all boots together."""
        return sum(boot.duration_seconds for boot in self.report.boots)

    @property
    def samples_total(self) -> int:
        """Samples of all channels."""
        return sum(channel.samples_total for channel in self.report.channels)


def read_facts(path: Path, progress: Progress | None = None) -> RecordingFacts:
    """Hash, validate and read one recording.

    Raises:
        RecordingError: it cannot be read, or is no recording.
        CatalogueError: it is still being recorded, or says not which box it is of.
    """
    if is_being_written(path):
        raise CatalogueError(f"{path} is still being recorded.", "Enter it when it has ended.")
    report = validate(path, progress)
    if not report.origin.recording_id or not report.origin.box_id:
        raise CatalogueError(
            f"{path} does not say which recording of which box it is.",
            "Look at it with `steelyard validate`; it cannot be entered.",
        )
    contents = Contents()
    for batch in RecordingScan(path):
        contents.add(batch)
    documents = contents.documents().documents()
    return RecordingFacts(
        path, file_sha256(path), origin(contents), report, _calibrations(documents)
    )


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal.

    Raises:
        RecordingStorageError: it cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK_BYTES):
                digest.update(block)
    except OSError as error:
        raise storage_error(path, "read", error) from error
    return digest.hexdigest()


def _calibrations(documents: tuple[Document, ...]) -> tuple[AnyCalibration, ...]:
    found = []
    for document in documents:
        if document.kind != DocumentKind.CALIBRATION:
            continue
        try:
            found.append(parse_calibration(document.text, "the recording"))
        except CalibrationError:
            continue  # a changed one is not entered: nothing may rest on it
    return tuple(found)
