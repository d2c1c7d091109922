"""The one place that finds the firmware and puts it on the import path.

The firmware's modules are named as they are on the device (``board``, ``box``,
``drivers``), so its folder itself goes on the path.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Protocol, cast

from ..errors import SimulatorError
from .clock import VirtualClock
from .link import VirtualLink
from .parts.machine import Machine
from .storage import VirtualStorage


class Board(Protocol):
    """What the simulator asks of the firmware's wired board."""

    boot_id: int
    box_id: bytes


class App(Protocol):
    """The firmware's loop."""

    def step(self) -> bool:
        """Do what there is to do; True when there was anything."""

    def idle_us(self) -> int:
        """Microseconds until there is timed work."""


class FirmwareImage:
    """The firmware as imported: builds a board and the app that runs on it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        if str(folder) not in sys.path:
            sys.path.insert(0, str(folder))
        try:
            board = importlib.import_module("board")
            app = importlib.import_module("box.app")
        except ImportError as error:
            raise SimulatorError(
                f"The firmware in {folder} cannot be imported: {error}.",
                "Another module named 'board' or 'box' may hide it; use a fresh environment.",
            ) from error
        self.load_pins = cast("tuple[tuple[int, int], ...]", board.LOAD_PINS)
        self._build = cast("Callable[..., Board]", board.build)
        self._app = cast("Callable[..., App]", app.App)

    def build(
        self, machine: Machine, clock: VirtualClock, random_bytes: Callable[[int], bytes]
    ) -> Board:
        """Wire the board to stand-in hardware."""
        return self._build(machine, clock, random_bytes)

    def start(
        self, board: Board, link: VirtualLink, clock: VirtualClock, storage: VirtualStorage
    ) -> App:
        """Start the app on a board."""
        return self._app(board, link, clock, storage)


def firmware_folder() -> Path:
    """Where the firmware lies: beside the installed package, else in the repository.

    Raises SimulatorError when it is in neither place.
    """
    package = Path(__file__).resolve().parent.parent
    candidates = [package / "firmware_image", package.parent.parent / "firmware"]
    for folder in candidates:
        if (folder / "board.py").is_file():
            return folder
    raise SimulatorError(
        f"The firmware is missing: looked in {' and '.join(map(str, candidates))}.",
        "Reinstall steelyard, or run from a complete checkout.",
    )


def load_firmware() -> FirmwareImage:
    """Import the firmware.  Raises SimulatorError when it is missing or broken."""
    return FirmwareImage(firmware_folder())
