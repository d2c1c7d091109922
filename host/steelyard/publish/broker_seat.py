"""Where a running broker serves, and the file that tells a later owner."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from steelyard.errors import PublishError

_SEAT_BYTES: Final = 4096


@dataclass(frozen=True)
class Doors:
    """Where a running broker serves; TCP ports of this computer."""

    lines: int
    websocket: int
    control: int
    token: str
    process_id: int
    port: str


def write_seat(path: Path | None, doors: Doors) -> None:
    """Keep the doors for a later owner, readable by this user alone."""
    if path is None:
        return
    new = path.with_suffix(".new")
    try:
        new.unlink(missing_ok=True)
        descriptor = os.open(new, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            json.dump(vars(doors), file)
        new.replace(path)
    except OSError as error:
        raise PublishError(
            f"{path} cannot be written ({error.strerror or error}).",
            "Give a folder of your own for it.",
        ) from error


def read_seat(path: Path | None) -> Doors | None:
    """The doors that a former owner left; None: there are none that can be used."""
    try:
        if path is None or path.stat().st_size > _SEAT_BYTES:
            return None
        return Doors(**json.loads(path.read_text(encoding="ascii")))
    except (OSError, ValueError, TypeError):
        return None
