"""Writing a file so that nobody ever sees half of it."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def write_whole(path: Path, data: bytes) -> None:
    """Write beside the target and rename.  Raises OSError, and then leaves nothing behind."""
    # Not a tempfile: those are for their owner's eyes only, and these are to be shared.
    temporary = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with temporary.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
