"""A trimmed copy of a recording whose end was torn off; the original stays as it is."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path

from steelyard.errors import RecordingStorageError
from steelyard.recording.append_file import AppendFile, is_being_written
from steelyard.recording.scan import Progress, RecordingScan, not_a_recording, read_chunks


@dataclass(frozen=True)
class Repair:
    """What a repair did."""

    copy: Path
    kept_bytes: int
    trimmed_bytes: int


def repair(original: Path, copy: Path, progress: Progress | None = None) -> Repair:
    """Copy everything up to the last delimiter.

    Bad frames inside stay: they are part of what happened, and leaving them
    out would only hide it.

    Raises:
        RecordingStorageError: the original cannot be read, is being recorded, or
            the copy exists or cannot be written (an unfinished copy is removed).
        RecordingFormatError: the original is empty or no recording.
    """
    scan = RecordingScan(original, progress)
    if is_being_written(original):
        raise RecordingStorageError(
            f"{original} is being recorded right now.", "Repair it after the recording has ended."
        )
    good = sum(batch.frame_count for batch in scan)
    if not good:
        raise not_a_recording(original, scan.size_bytes)
    kept = scan.size_bytes - scan.torn_tail_bytes
    file = AppendFile(copy)
    try:
        for chunk in read_chunks(original, kept):
            file.append(chunk)
        file.close()
    except BaseException:
        with contextlib.suppress(Exception):
            file.close()
        copy.unlink(missing_ok=True)
        raise
    return Repair(copy, kept, scan.torn_tail_bytes)
