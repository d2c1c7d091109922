"""The firmware's files as they go on a board."""

from __future__ import annotations

import ast
import hashlib
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from steelyard.errors import InstallError

START_FILE: Final = "main.py"
"""Copied last: until it is there, a board with half an installation starts nothing."""

_VERSION_FILE: Final = Path("box") / "version.py"


@dataclass(frozen=True)
class FirmwareImage:
    """The firmware in ``folder``: ``files`` are paths on the board, with ``/``."""

    folder: Path
    files: tuple[str, ...]
    version: str

    def digests(self) -> dict[str, str]:
        """SHA-256 of each file, hexadecimal, by its path on the board."""
        return {
            name: hashlib.sha256((self.folder / name).read_bytes()).hexdigest()
            for name in self.files
        }

    def stage(self, target: Path) -> None:
        """Copy the files, and nothing else that may lie beside them, into ``target``."""
        for name in self.files:
            place = target / name
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(self.folder / name, place)


def load_image(folder: Path | None = None) -> FirmwareImage:
    """Find the firmware: in ``folder``, beside the installed package, or in the repository.

    Raises:
        InstallError: it is in none of these places, or not complete.
    """
    package = Path(__file__).resolve().parent.parent
    candidates = (
        [folder] if folder else [package / "firmware_image", package.parent.parent / "firmware"]
    )
    for candidate in candidates:
        if (candidate / START_FILE).is_file():
            files = sorted(
                path.relative_to(candidate).as_posix() for path in candidate.rglob("*.py")
            )
            return FirmwareImage(candidate, tuple(files), _version(candidate))
    raise InstallError(
        f"The firmware is missing: looked in {' and '.join(map(str, candidates))}.",
        "Reinstall steelyard, or run from a complete checkout.",
    )


def _version(folder: Path) -> str:
    """Read without running: nothing on the host imports firmware."""
    try:
        tree = ast.parse((folder / _VERSION_FILE).read_text(encoding="utf-8"))
        for node in tree.body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "FIRMWARE_VERSION":
                return ".".join(str(number) for number in ast.literal_eval(node.value))
    except (OSError, ValueError, SyntaxError) as error:
        raise InstallError(
            f"{folder / _VERSION_FILE} does not tell the firmware's version: {error}.",
            "Reinstall steelyard, or run from a complete checkout.",
        ) from error
    raise InstallError(
        f"{folder / _VERSION_FILE} does not tell the firmware's version.",
        "Reinstall steelyard, or run from a complete checkout.",
    )
