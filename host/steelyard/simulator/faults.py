"""Faults that a virtual box can have: their names, and the text that asks for them.

``unplug@30+5`` unplugs 30 s after power-up for 5 s; ``data_low.1@10+2`` ties the
data line of amplifier 1 low; ``corrupt=0.001@0+60`` spoils one byte in a
thousand; without ``+`` a fault that lasts lasts for ever.  Commas join faults.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from ..errors import SimulatorOptionError


@dataclass(frozen=True)
class FaultKind:
    """What there is to know about a fault before it happens.

    ``lasting``: it has an end; others happen once.  ``default`` is its
    strength where it has one.  ``channels``: how many places it can strike.
    """

    meaning: str
    lasting: bool = True
    default: float = 1.0
    channels: int = 1


KINDS: Final[dict[str, FaultKind]] = {
    "unplug": FaultKind("cable out: no link and no power; the box starts anew when back"),
    "cable": FaultKind("link cut while the box has power from elsewhere"),
    "reboot": FaultKind("the processor starts anew (watchdog), link stays", lasting=False),
    "deaf": FaultKind("the host's system stops taking bytes"),
    "corrupt": FaultKind("share of bytes to the host that arrive wrong", default=0.001),
    "data_high": FaultKind("data line of an amplifier tied high", channels=2),
    "data_low": FaultKind("data line of an amplifier tied low", channels=2),
    "clock_cut": FaultKind("clock line of an amplifier cut", channels=2),
    "clock_low": FaultKind("clock line of an amplifier shorted to ground", channels=2),
    "clock_high": FaultKind("clock line of an amplifier shorted to its supply", channels=2),
    "clock_pulse": FaultKind("one pulse too many on a clock line", lasting=False, channels=2),
    "chip_reset": FaultKind("an amplifier resets by itself", lasting=False, channels=2),
    "missed": FaultKind("one conversion does not come", lasting=False, channels=2),
    "torn": FaultKind("one conversion reads as 2**22 - 1", lasting=False, channels=2),
    "saturate_high": FaultKind("bridge wire broken: input far above range", channels=2),
    "saturate_low": FaultKind("bridge wire broken: input far below range", channels=2),
    "magnet_missing": FaultKind("magnet fallen off the shaft"),
    "magnet_weak": FaultKind("magnet too far away"),
    "magnet_strong": FaultKind("magnet too close"),
    "bus_fail": FaultKind("angle sensor does not acknowledge"),
    "bus_stuck": FaultKind("angle sensor's bus stuck: transfers time out"),
    "open_wiper": FaultKind("wiper of the roller potentiometer open"),
    "button": FaultKind("the button is held"),
    "flash_full": FaultKind("settings cannot be stored"),
}


@dataclass(frozen=True)
class Fault:
    """One fault: what, where, how strong, and when in virtual seconds.

    ``duration_seconds`` None: for ever.
    """

    name: str
    start_seconds: float
    duration_seconds: float | None = None
    channel: int = 0
    value: float = 1.0


_SHAPE: Final = re.compile(
    r"(?P<name>[a-z_]+)(\.(?P<channel>\d))?(=(?P<value>[0-9.e-]+))?"
    r"@(?P<start>[0-9.]+)(\+(?P<duration>[0-9.]+))?"
)


def parse_faults(text: str) -> tuple[Fault, ...]:
    """Understand a comma-joined list of faults.

    Raises SimulatorOptionError naming the one that is wrong and what there is.
    """
    return tuple(_parse_fault(item) for item in text.split(",") if item)


def make_fault(
    name: str,
    start_seconds: float = 0.0,
    duration_seconds: float | None = None,
    *,
    channel: int = 0,
    value: float | None = None,
) -> Fault:
    """Return a checked fault.  Raises SimulatorOptionError."""
    kind = KINDS.get(name)
    if kind is None:
        raise SimulatorOptionError(
            f"There is no fault '{name}' in the simulator.", f"Faults are: {', '.join(KINDS)}."
        )
    if channel >= kind.channels:
        raise SimulatorOptionError(
            f"Fault '{name}' cannot strike channel {channel}: it knows {kind.channels}.",
            f"Write a channel from 0 to {kind.channels - 1}.",
        )
    if duration_seconds is not None and not kind.lasting:
        raise SimulatorOptionError(
            f"Fault '{name}' happens once and cannot last {duration_seconds:g} s.",
            f"Write {name}@{start_seconds:g}.",
        )
    strength = kind.default if value is None else value
    return Fault(name, start_seconds, duration_seconds, channel, strength)


def _parse_fault(item: str) -> Fault:
    match = _SHAPE.fullmatch(item)
    if match is None:
        raise SimulatorOptionError(
            f"'{item}' is not a fault of the simulator.",
            "Write name@start+duration, as in unplug@30+5, or name.channel=value@start.",
        )
    duration, value = match["duration"], match["value"]
    try:
        return make_fault(
            match["name"],
            float(match["start"]),
            None if duration is None else float(duration),
            channel=int(match["channel"] or 0),
            value=None if value is None else float(value),
        )
    except ValueError as error:
        raise SimulatorOptionError(
            f"'{item}' holds something that is not a number.", "Write for example unplug@30+5."
        ) from error
