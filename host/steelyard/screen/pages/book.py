"""All operator pages, and what they work on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from nicegui import ui

from steelyard.screen.access.gate import Doors
from steelyard.screen.access.pairing import PairingDesk
from steelyard.screen.access.sessions import SessionRegister
from steelyard.screen.desk import Desk
from steelyard.screen.live.door import Door


@dataclass(frozen=True)
class Bench:
    """What a page may read and change."""

    desk: Desk
    sessions: SessionRegister
    pairing: PairingDesk
    doors: Doors
    door: Door


def add_pages(bench: Bench) -> None:
    """Register every page with the UI library."""

    @ui.page("/")
    def start() -> None:
        ui.label("Steelyard")


Page = Callable[[Bench], None]
