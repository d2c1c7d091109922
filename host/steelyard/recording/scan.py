"""Reads a recording's bytes once, in chunks, through the bulk decoder."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from steelyard_protocol.bulk import Batch, BulkDecoder
from steelyard_protocol.frame import DELIMITER

from steelyard.errors import RecordingFormatError, RecordingStorageError

from .append_file import storage_error

CHUNK_BYTES: Final = 1 << 20
"""Read at a time. Larger is not faster; decoding takes about 15 times this in memory."""

Progress = Callable[[int, int], None]
"""Called with bytes done and bytes in all."""


class RecordingScan:
    """One pass over a recording: iterate to get the batches in file order.

    Bytes after the last delimiter are a torn tail: ignored, and counted in
    ``torn_tail_bytes`` once the pass is over.  Works on any bytes.
    """

    def __init__(
        self, path: Path, progress: Progress | None = None, chunk_bytes: int = CHUNK_BYTES
    ) -> None:
        """Look at the file without reading it.

        Raises:
            RecordingStorageError: not there, not a file, or not readable.
            RecordingFormatError: empty.
        """
        self.path = path
        self.size_bytes = _size_of(path)
        self.torn_tail_bytes = 0
        self._progress = progress
        self._chunk_bytes = chunk_bytes

    def __iter__(self) -> Iterator[Batch]:
        decoder = BulkDecoder()
        done = 0
        # A recording may still be growing: stop where it ended when we began.
        for chunk in read_chunks(self.path, self.size_bytes, self._chunk_bytes):
            done += len(chunk)
            self._follow_tail(chunk)
            yield decoder.feed(chunk)
            if self._progress is not None:
                self._progress(done, self.size_bytes)

    def _follow_tail(self, chunk: bytes) -> None:
        last = chunk.rfind(DELIMITER)
        if last < 0:
            self.torn_tail_bytes += len(chunk)
        else:
            self.torn_tail_bytes = len(chunk) - last - 1


def iterate_batches(path: Path, progress: Progress | None = None) -> Iterator[Batch]:
    """Decode a recording piece by piece, in constant memory.

    Raises:
        RecordingStorageError: not there, not a file, or not readable.
        RecordingFormatError: empty.
    """
    yield from RecordingScan(path, progress)


def not_a_recording(path: Path, size_bytes: int) -> RecordingFormatError:
    """Make the error for a file that holds no frame at all."""
    return RecordingFormatError(
        f"{path} is not a recording: no sound frame in its {size_bytes} bytes.",
        "Check the file name; recordings end in .steelyard.",
    )


def _size_of(path: Path) -> int:
    try:
        size = path.stat().st_size
        is_file = path.is_file()
    except FileNotFoundError as error:
        raise RecordingStorageError(
            f"There is no file {path}.", "Check the name and the folder."
        ) from error
    except (OSError, ValueError) as error:
        raise _cannot_read(path, error) from error
    if not is_file:
        kind = "a folder" if path.is_dir() else "not an ordinary file"
        raise RecordingStorageError(f"{path} is {kind}.", "Name a recording, which is a file.")
    if not size:
        raise RecordingFormatError(
            f"{path} is empty (0 bytes).", "The recording never began; make a new one."
        )
    return size


def read_chunks(path: Path, size_bytes: int, chunk_bytes: int = CHUNK_BYTES) -> Iterator[bytes]:
    """Read the first ``size_bytes`` of a file piece by piece.

    Raises:
        RecordingStorageError: it cannot be opened or read.
    """
    try:
        with path.open("rb", buffering=0) as file:
            while size_bytes > 0:
                chunk = file.read(min(chunk_bytes, size_bytes))
                if not chunk:
                    return  # the file became shorter under our hands
                size_bytes -= len(chunk)
                yield chunk
    except OSError as error:
        raise _cannot_read(path, error) from error


def _cannot_read(path: Path, error: OSError | ValueError) -> RecordingStorageError:
    wrapped = error if isinstance(error, OSError) else OSError(0, str(error))
    return storage_error(path, "read", wrapped)
