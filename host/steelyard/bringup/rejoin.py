"""After the link was lost: does the box come back, and did it keep its power?

That tells a loose data cable from a lost supply: a box that kept its power answers with the
boot id it had.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from enum import Enum
from typing import Final

from steelyard.bringup.finding import Finding, Severity
from steelyard.device import Box
from steelyard.device.discovery import opener_for
from steelyard.errors import SteelyardError
from steelyard.transport import Transport
from steelyard.transport.port import Reopenable

WAIT_SECONDS: Final = 8.0
PAUSE_SECONDS: Final = 0.3


class Return(Enum):
    """How a box came back."""

    NOT = "not"
    SAME_BOOT = "same boot"
    NEW_BOOT = "new boot"


@dataclass(frozen=True)
class Rejoined:
    """What became of a box whose link was lost: for how long, and how it came back."""

    back: Return
    seconds: float


def rejoin(box: Box, wait_seconds: float = WAIT_SECONDS) -> Rejoined:
    """Try to reach the box again for a while; the session is closed, and so is the new one."""
    transport, boot_id = box.transport, box.boot_id
    clock = transport.clock
    begun_ns = clock.monotonic_ns()
    transport.close()
    while (passed := (clock.monotonic_ns() - begun_ns) * 1e-9) < wait_seconds:
        found = _boot_id_there(transport, box.description.box_id)
        if found is not None:
            back = Return.SAME_BOOT if found == boot_id else Return.NEW_BOOT
            return Rejoined(back, (clock.monotonic_ns() - begun_ns) * 1e-9)
        if not isinstance(transport, Reopenable):  # a virtual box waits by itself
            time.sleep(PAUSE_SECONDS)
    return Rejoined(Return.NOT, passed)


def _boot_id_there(transport: Transport, box_id: bytes) -> int | None:
    reopen: object = transport
    opener = reopen.reopen if isinstance(reopen, Reopenable) else None
    try:
        port = opener() if opener else opener_for(box_id, transport.description)()
        with Box.open(port, box_id=box_id) as again:
            return again.description.identity.boot_id
    except SteelyardError:
        return None


def lost_link(reason: str, rejoined: Rejoined) -> Finding:
    """The finding for a lost link."""
    code, cause, advice = _WORDS[rejoined.back]
    returned = (
        f"it did not come back within {rejoined.seconds:.0f} s"
        if rejoined.back is Return.NOT
        else f"it came back after {rejoined.seconds:.1f} s"
    )
    return Finding(
        code,
        Severity.FAULT,
        None,
        "link",
        f"the link went away during the check and {returned} ({reason})",
        "a link that stays",
        cause,
        advice,
    )


_WORDS: Final = {
    Return.NOT: (
        "link_lost",
        "The cable was pulled, the box has no power, or its firmware hangs.",
        "Plug it in again and look for its lamp; then another cable, straight into the computer.",
    ),
    Return.SAME_BOOT: (
        "link_interrupted",
        "The box kept its power, so the data wires were interrupted: a loose plug, a worn cable,"
        " a hub that saves power.",
        "Another cable, straight into the computer; strain relief at the box.",
    ),
    Return.NEW_BOOT: (
        "power_lost",
        "The box started anew, so its power was gone: a loose plug, or a hub that switches off.",
        "Another cable, straight into the computer; then look for a short in the sensor cables.",
    ),
}
