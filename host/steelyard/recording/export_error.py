"""What stands in the way of files that are made from a recording, as one plain error."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Final

from steelyard.errors import ExportError

_ADVICE: Final = {
    errno.ENOSPC: "Free some space on this disk, or write to another one.",
    errno.EDQUOT: "Free some space in your share of this disk, or write to another one.",
    errno.ENOENT: "Make the folder first, or write into another one.",
}
_DEFAULT_ADVICE: Final = "Write into a folder of your own."


def export_error(path: Path, error: OSError) -> ExportError:
    """Wrap an error of the operating system; the recording itself is never touched."""
    # Libraries put words of their own into strerror, paths of temporary files among them.
    known = f"{os.strerror(error.errno)} (errno {error.errno})" if error.errno else str(error)
    return ExportError(
        f"Could not write {path}: {known}.",
        _ADVICE.get(error.errno or 0, _DEFAULT_ADVICE),
    )
