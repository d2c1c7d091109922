"""Reads a recording's bytes once, in chunks, through the bulk decoder."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import cycle
from pathlib import Path
from typing import Final

import numpy as np
from steelyard_protocol.bulk import Batch, BulkDecoder

from steelyard.errors import RecordingFormatError, RecordingStorageError

from .append_file import storage_error

CHUNK_BYTES: Final = 1 << 23
"""Read at a time: a block of the bulk decoder."""
_WORKERS: Final = max(1, min(4, os.cpu_count() or 1))
"""Pieces decoded at a time; more take memory and soon wait for it."""

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
        self.size_bytes = file_size(path)
        self.done_bytes = 0
        self.torn_tail_bytes = 0
        self._progress = progress
        self._chunk_bytes = chunk_bytes

    def __iter__(self) -> Iterator[Batch]:
        decoder = BulkDecoder()
        self.done_bytes = 0
        # A recording may still be growing: stop where it ended when we began.
        for count, batch in _decoded(decoder, self.path, self.size_bytes, self._chunk_bytes):
            self.done_bytes += count
            self.torn_tail_bytes = decoder.pending_bytes
            yield batch
            if self._progress is not None:
                self._progress(self.done_bytes, self.size_bytes)


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


def file_size(path: Path) -> int:
    """Bytes of a file that can be a recording.

    Raises:
        RecordingStorageError: not there, not a file, or not readable.
        RecordingFormatError: empty.
    """
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


def read_chunks(
    path: Path, end: int, chunk_bytes: int = CHUNK_BYTES, begin: int = 0
) -> Iterator[bytes]:
    """Read a file from byte ``begin`` up to byte ``end``, piece by piece.

    Raises:
        RecordingStorageError: it cannot be opened or read.
    """
    try:
        with path.open("rb", buffering=0) as file:
            left = end - file.seek(begin)
            while left > 0 and (chunk := file.read(min(chunk_bytes, left))):
                left -= len(chunk)
                yield chunk
    except OSError as error:
        raise _cannot_read(path, error) from error


def _decoded(
    decoder: BulkDecoder, path: Path, end: int, chunk_bytes: int
) -> Iterator[tuple[int, Batch]]:
    """Bytes and batch of each piece in file order, several pieces in work at a time."""
    if end <= chunk_bytes:
        for whole in read_chunks(path, end, chunk_bytes):
            yield len(whole), decoder.feed(whole)
        return
    coming: deque[tuple[int, Future[Batch]]] = deque()
    pool = ThreadPoolExecutor(_WORKERS, "decode")
    try:
        for chunk in _passing_chunks(path, end, chunk_bytes, _WORKERS + 1):
            coming.append((len(chunk), pool.submit(decoder.later(chunk))))
            if len(coming) > _WORKERS:
                count, work = coming.popleft()
                yield count, work.result()
        for count, work in coming:
            yield count, work.result()
    finally:
        pool.shutdown(cancel_futures=True)


def _passing_chunks(path: Path, end: int, chunk_bytes: int, good: int) -> Iterator[memoryview]:
    """As `read_chunks` of the whole, but each piece is good only until ``good`` more were read.

    Why: buffers filled again and again are quicker than new memory for each piece.
    """
    buffers = cycle([np.empty(chunk_bytes, np.uint8).data for _ in range(good)])
    try:
        with path.open("rb", buffering=0) as file:
            left = end
            # The file may become shorter under our hands: then it ends there.
            while left > 0:
                buffer = next(buffers)
                count = file.readinto(buffer[: min(left, chunk_bytes)])
                if not count:
                    return
                left -= count
                yield buffer[:count]
    except OSError as error:
        raise _cannot_read(path, error) from error


def _cannot_read(path: Path, error: OSError | ValueError) -> RecordingStorageError:
    wrapped = error if isinstance(error, OSError) else OSError(0, str(error))
    return storage_error(path, "read", wrapped)
