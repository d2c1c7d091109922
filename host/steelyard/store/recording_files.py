"""Recordings on disk: what ties an entry to one file and no other."""

from __future__ import annotations

import hashlib
from pathlib import Path

from steelyard.errors import EntryError
from steelyard.store.kept import RecordingFile


def describe_recording(path: Path, recording_id: str) -> RecordingFile:
    """Hash a recording.  Raises EntryError when it cannot be read."""
    try:
        digest, size = _digest(path)
    except OSError as error:
        raise EntryError(
            f"The recording {path} could not be read: {error.strerror or error}.", "Check it."
        ) from error
    return RecordingFile(str(path.absolute()), recording_id, digest, size)


def is_untouched(file: RecordingFile) -> bool | None:
    """Whether the file is the one that was filed; None when it is not there any more."""
    try:
        return _digest(Path(file.path)) == (file.sha256, file.size_bytes)
    except OSError:
        return None


def _digest(path: Path) -> tuple[str, int]:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return digest, file.tell()
