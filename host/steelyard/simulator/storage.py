"""The virtual box's flash: it outlives a reboot, and in a folder the program, too."""

from __future__ import annotations

import errno
from pathlib import Path

from ..errors import SimulatorError


class VirtualStorage:
    """Named blobs.  ``full``: writes fail, as on a worn or full flash.

    With a ``folder`` the blobs are its files, read now and written through.
    Raises SimulatorError when it cannot be read.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.blobs: dict[str, bytes] = {}
        self.full = False
        self._folder = folder
        if folder is not None:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                self.blobs = {
                    path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()
                }
            except OSError as error:
                raise SimulatorError(
                    f"The virtual box's flash cannot be read from {folder}: {error.strerror}.",
                    "Name a folder that you may write to.",
                ) from error

    def read(self, name: str) -> bytes | None:
        """Return the blob, or None when there is none."""
        return self.blobs.get(name)

    def read_part(self, name: str, offset: int, length: int) -> bytes | None:
        """Return a piece of a blob, or None when there is none."""
        blob = self.blobs.get(name)
        return None if blob is None else blob[offset : offset + length]

    def append(self, name: str, data: bytes) -> None:
        """Add to a blob.  Raises OSError when it cannot."""
        self.write(name, self.blobs.get(name, b"") + bytes(data))

    def write(self, name: str, data: bytes) -> None:
        """Store a blob.  Raises OSError when it cannot (the firmware's contract)."""
        if self.full:
            raise OSError(errno.ENOSPC, "no room in the virtual flash")
        self.blobs[name] = bytes(data)
        if self._folder is not None:
            (self._folder / name).write_bytes(data)
