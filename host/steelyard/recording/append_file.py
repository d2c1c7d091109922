"""A new file that only grows, is never shared with a second writer, and reaches the disk."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from steelyard.errors import RecordingStorageError

DEFAULT_SYNC_PERIOD_SECONDS: Final = 1.0
_OPEN_FLAGS: Final = os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0)
_ADVICE: Final = {
    errno.ENOSPC: "Free some space on this disk and start a new recording.",
    errno.EDQUOT: "Free some space in your share of this disk and start a new recording.",
    errno.EFBIG: "The file reached the system's size limit; start a new recording.",
    errno.EROFS: "This disk is read-only; record into another folder.",
    errno.EACCES: "You may not write there; record into a folder of your own.",
    errno.EPERM: "You may not write there; record into a folder of your own.",
    errno.ENOENT: "Make the folder first, or record into another one.",
    errno.ENOTDIR: "A part of the path is a file; record into another folder.",
    errno.ENAMETOOLONG: "Use a shorter file name.",
}
_DEFAULT_ADVICE: Final = "Check the disk and record into another folder."


def storage_error(path: Path, doing: str, error: OSError) -> RecordingStorageError:
    """Wrap an error of the operating system, with advice that fits its number."""
    reason = error.strerror or str(error)
    return RecordingStorageError(
        f"Could not {doing} {path}: {reason} (errno {error.errno}).",
        _ADVICE.get(error.errno or 0, _DEFAULT_ADVICE),
    )


class AppendFile:
    """One file, created here, locked, and only ever appended to.

    Every append is handed to the operating system at once, so a crash of this
    program loses nothing that was appended.  ``fsync`` follows when at least
    ``sync_period_seconds`` have passed since the last one, so a power failure
    loses about that much.  After the first failure nothing more is written:
    what is on the disk ends with a readable beginning, and a gap in the
    middle of a recording cannot be mistaken for one of the box's.
    """

    def __init__(
        self,
        path: Path,
        sync_period_seconds: float = DEFAULT_SYNC_PERIOD_SECONDS,
        real_time_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        """Create the file.

        Raises:
            RecordingStorageError: it exists, is being recorded, or cannot be made.
        """
        self.path = path
        self.size_bytes = 0
        self.syncs_total = 0
        self._sync_period_ns = round(sync_period_seconds * 1e9)
        self._real_time_ns = real_time_ns
        self._synced_at_ns = real_time_ns()
        self._unsynced = False
        self._failure: RecordingStorageError | None = None
        self._descriptor = _create(path)
        self._open = True

    @property
    def is_open(self) -> bool:
        """True until `close`."""
        return self._open

    @property
    def has_failed(self) -> bool:
        """True after the disk refused once; nothing more will be written."""
        return self._failure is not None

    def append(self, data: bytes) -> None:
        """Write all of it at the end.

        Raises:
            RecordingStorageError: the disk refused, now or earlier.
        """
        if self._failure is not None:
            raise self._failure
        if not self._open:
            raise RecordingStorageError(
                f"{self.path} is closed after {self.size_bytes} bytes.",
                "A recording never goes on after its end; start a new one.",
            )
        with self._failing_for_good("write to"):
            view = memoryview(data)
            while view:
                written = os.write(self._descriptor, view)
                self.size_bytes += written
                view = view[written:]
        self._unsynced = self._unsynced or bool(data)
        self.sync_if_due()

    def sync_if_due(self) -> None:
        """Bring what was written to the disk when the period has passed.

        Raises:
            RecordingStorageError: the disk refused.
        """
        if self._unsynced and self._real_time_ns() - self._synced_at_ns >= self._sync_period_ns:
            self.sync()

    def sync(self) -> None:
        """Bring everything written so far to the disk.

        Raises:
            RecordingStorageError: the disk refused.
        """
        with self._failing_for_good("bring to the disk"):
            os.fsync(self._descriptor)
        self.syncs_total += 1
        self._unsynced = False
        self._synced_at_ns = self._real_time_ns()

    def close(self) -> None:
        """Sync and close.  Closing twice, or after a failure, is fine.

        Raises:
            RecordingStorageError: the last sync failed; the file is closed all the same.
        """
        if not self._open:
            return
        self._open = False
        try:
            if self._failure is None:
                self.sync()
        finally:
            with contextlib.suppress(OSError):
                os.close(self._descriptor)

    def abandon(self) -> None:
        """Close and remove the file: for one that does not even hold its beginning."""
        with contextlib.suppress(RecordingStorageError):
            self.close()
        with contextlib.suppress(OSError):
            self.path.unlink()

    @contextlib.contextmanager
    def _failing_for_good(self, doing: str) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            found = storage_error(self.path, doing, error)
            kept = (
                f" {self.size_bytes / 1e6:.2f} MB are in it and stay." if self.syncs_total else ""
            )
            self._failure = RecordingStorageError(found.what + kept, found.advice)
            raise self._failure from error


def _create(path: Path) -> int:
    try:
        descriptor = os.open(path, _OPEN_FLAGS, 0o666)
    except FileExistsError as error:
        if is_being_written(path):
            raise RecordingStorageError(
                f"{path} is being recorded right now by another program.",
                "Choose another file name, or stop the other recording first.",
            ) from error
        raise RecordingStorageError(
            f"{path} exists already, and a recording never overwrites a file.",
            "Choose another file name, or move the old file away.",
        ) from error
    except (OSError, ValueError) as error:
        wrapped = error if isinstance(error, OSError) else OSError(errno.EINVAL, str(error))
        raise storage_error(path, "create", wrapped) from error
    try_lock(descriptor)
    _bring_name_to_disk(path)
    return descriptor


def _bring_name_to_disk(path: Path) -> None:
    """Sync the folder: a file whose name a power failure takes away is lost whole.

    Where folders cannot be synced (Windows, some network drives) there is no other way.
    """
    with contextlib.suppress(OSError):
        folder = os.open(path.parent, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def is_being_written(path: Path) -> bool:
    """True while a recorder, in this program or another, holds the file."""
    try:
        descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    except OSError:
        return False
    try:
        return not try_lock(descriptor)
    finally:
        os.close(descriptor)  # gives the lock back


if sys.platform == "win32":
    import msvcrt

    _LOCKED_BYTE: Final = 0x7FFFFFF0
    """Windows locks are mandatory: lock a byte that no reader will ever want."""

    def try_lock(descriptor: int) -> bool:
        """Take the file's lock without waiting; False when another holds it."""
        os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(descriptor, 0, os.SEEK_SET)
        return True

else:
    import fcntl

    def try_lock(descriptor: int) -> bool:
        """Take the file's lock without waiting; False when another holds it."""
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:
            return True  # a file system without locks; O_EXCL has kept others out already
        return True
