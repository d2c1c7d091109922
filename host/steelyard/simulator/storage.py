"""The virtual box's flash: it outlives a reboot."""

from __future__ import annotations

import errno


class VirtualStorage:
    """Named blobs.  ``full``: writes fail, as on a worn or full flash."""

    def __init__(self) -> None:
        self.blobs: dict[str, bytes] = {}
        self.full = False

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
