"""This end of the cable: may this user open the port, and does anything else meddle with it?

Only looks; changes nothing.  On systems other than Linux there is nothing to look for.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

RULE_FOLDERS: Final = ("etc/udev/rules.d", "run/udev/rules.d", "usr/lib/udev/rules.d")
VENDOR_ID_TEXT: Final = "2e8a"
IGNORE_TEXT: Final = "ID_MM_DEVICE_IGNORE"
MODEM_MANAGER: Final = "ModemManager"


@dataclass(frozen=True)
class PortFacts:
    """What is known about a serial port on this computer.

    ``applies``: False where there is nothing to check (no Linux, no serial port).
    ``owner_group`` is the group of the port's file, empty when not known.
    """

    port: str
    applies: bool
    exists: bool = False
    accessible: bool = False
    owner_group: str = ""
    user: str = ""
    rule_installed: bool = False
    modem_manager_runs: bool = False


def port_facts(port: str, root: Path = Path("/")) -> PortFacts:
    """Look at the port and at what runs here; ``root`` stands for the file system's root."""
    if not sys.platform.startswith("linux") or not port.startswith("/dev/"):
        return PortFacts(port, applies=False)
    device = root / port.removeprefix("/")
    exists = device.exists()
    return PortFacts(
        port=port,
        applies=True,
        exists=exists,
        accessible=exists and os.access(device, os.R_OK | os.W_OK),
        owner_group=_group_of(device) if exists else "",
        user=os.environ.get("USER", "") or str(os.getuid()),
        rule_installed=_rule_installed(root),
        modem_manager_runs=_runs(root, MODEM_MANAGER),
    )


def _group_of(device: Path) -> str:
    try:
        return device.group()
    except (KeyError, OSError):
        return ""


def _rule_installed(root: Path) -> bool:
    """Whether some rule keeps ModemManager away from boards with our vendor id."""
    for folder in RULE_FOLDERS:
        for path in (root / folder).glob("*.rules"):
            text = _text_of(path)
            if VENDOR_ID_TEXT in text.lower() and IGNORE_TEXT in text:
                return True
    return False


def _runs(root: Path, name: str) -> bool:
    """Whether a program of this name runs; the kernel keeps 15 letters of a name."""
    return any(_text_of(path).strip() == name[:15] for path in (root / "proc").glob("[0-9]*/comm"))


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:  # gone, or not for us
        return ""
