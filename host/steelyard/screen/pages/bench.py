"""What an operator page works on."""

from __future__ import annotations

from dataclasses import dataclass

from steelyard.screen.access.gate import Doors
from steelyard.screen.access.pairing import PairingDesk
from steelyard.screen.access.sessions import SessionRegister
from steelyard.screen.desk import Desk
from steelyard.screen.live.door import Door


@dataclass(frozen=True)
class Bench:
    """One machine's state, and who may see it."""

    desk: Desk
    sessions: SessionRegister
    pairing: PairingDesk
    doors: Doors
    door: Door
