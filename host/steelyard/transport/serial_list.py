"""Serial ports of this machine behind which a box may be."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

BOARD_VENDOR_IDS: Final = frozenset({0x2E8A})
"""USB vendor ids of boards that run the firmware.

0x2E8A is the one under which RP2040 boards are registered (raspberrypi/usb-pid,
README).
"""


@dataclass(frozen=True)
class CandidatePort:
    """A serial port as the operating system describes it.

    ``likely``: its USB vendor id is that of a board which runs the firmware.
    Why it matters: a query is a write, and what else is plugged in (a motor, a
    printer) must not be written to unasked.
    """

    device: str
    description: str
    vendor_id: int | None
    product_id: int | None
    usb_serial: str
    likely: bool


def candidate_ports() -> list[CandidatePort]:
    """All serial ports of this machine, likely ones first.

    On macOS each port has two names; the ``cu.`` one is given, because opening
    the ``tty.`` one waits for a carrier signal that never comes.
    """
    return from_listing(list_ports.comports(), sys.platform)


def from_listing(ports: Iterable[ListPortInfo], platform: str) -> list[CandidatePort]:
    """What `candidate_ports` makes of the operating system's list."""
    found: dict[str, CandidatePort] = {}
    for port in ports:
        device = port.device
        if platform == "darwin":
            device = device.replace("/dev/tty.", "/dev/cu.")
        found[device] = CandidatePort(
            device=device,
            description=port.description or "",
            vendor_id=port.vid,
            product_id=port.pid,
            usb_serial=port.serial_number or "",
            likely=port.vid in BOARD_VENDOR_IDS,
        )
    return sorted(found.values(), key=lambda port: (not port.likely, port.device))
