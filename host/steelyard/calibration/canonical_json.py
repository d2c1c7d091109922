"""One spelling for each content, so that a hash can stand for it.

Keys sorted, one space of indent, ASCII only, numbers as Python's shortest
round-trip text, a newline at the end.  A file is accepted only when it is,
byte for byte, what writing its own content would give.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any, Final

from steelyard.errors import CalibrationFileError

ID_KEY: Final = "calibration_id"


def canonical_text(content: dict[str, Any]) -> str:
    """The one spelling of ``content``.  Raises CalibrationFileError for infinite numbers."""
    try:
        return json.dumps(content, indent=1, sort_keys=True, allow_nan=False) + "\n"
    except (TypeError, ValueError) as error:
        raise CalibrationFileError(
            f"A calibration holds something that cannot be stored: {error}.",
            "Every number must be finite.",
        ) from error


def content_hash(content: dict[str, Any]) -> str:
    """SHA-256, in hexadecimal, of the content without its own id."""
    rest = {key: value for key, value in content.items() if key != ID_KEY}
    return hashlib.sha256(canonical_text(rest).encode("ascii")).hexdigest()


def sealed_text(content: dict[str, Any]) -> str:
    """The content as text, with its hash as ``calibration_id``."""
    return canonical_text({**content, ID_KEY: content_hash(content)})


def open_sealed(text: str) -> dict[str, Any]:
    """Content of a sealed text, id included.

    Raises CalibrationFileError when a single byte differs from what was sealed.
    """
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CalibrationFileError(
            f"This is not a stored calibration, or it was damaged: {error}.",
            "Use an untouched copy, or calibrate again.",
        ) from error
    if not isinstance(content, dict) or not isinstance(content.get(ID_KEY), str):
        raise CalibrationFileError(
            "This file holds JSON, but no stored calibration.",
            "A calibration carries a calibration_id; look for the right file.",
        )
    found, stated = content_hash(content), content[ID_KEY]
    if found != stated:
        raise CalibrationFileError(
            f"The calibration was changed after it was made: its content gives {found[:12]}, "
            f"but it calls itself {stated[:12]}.",
            "Use an untouched copy, or calibrate again.",
        )
    if canonical_text(content) != text:
        raise CalibrationFileError(
            f"The file of calibration {stated[:12]} was rewritten: its spelling differs.",
            "The numbers are whole, but an edited file is not accepted; use an untouched copy.",
        )
    return content
