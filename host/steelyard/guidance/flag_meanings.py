"""Flags of samples in words for a person at the machine."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from steelyard_protocol.records import SampleFlags

OF_LOAD: Final = {
    SampleFlags.SATURATED_HIGH: "load reading at the upper end of the converter",
    SampleFlags.SATURATED_LOW: "load reading at the lower end of the converter",
    SampleFlags.NO_CONVERSION: "load sensor does not answer",
    SampleFlags.DESYNC: "load sensor out of step",
    SampleFlags.SETTLING: "load sensor settling",
    SampleFlags.SUSPECT: "load reading in doubt",
    SampleFlags.LATE_READ: "load read late",
    SampleFlags.ANGLE_STALE: "arm angle not fresh",
    SampleFlags.BUS_ERROR: "arm angle sensor does not answer",
    SampleFlags.MAGNET_MISSING: "arm angle: magnet missing",
    SampleFlags.MAGNET_WEAK: "arm angle: magnet too far away",
    SampleFlags.MAGNET_STRONG: "arm angle: magnet too close",
    SampleFlags.OPEN_CIRCUIT: "load sensor wire open",
    SampleFlags.OVERLOAD: "overload",
    SampleFlags.BUTTON_HELD: "button held",
    SampleFlags.LINE_HELD: "a sensor's wire is shorted or held",
}
OF_ROLLER: Final = {
    SampleFlags.NO_CONVERSION: "roller sensor does not answer",
    SampleFlags.ANGLE_STALE: "roller angle not fresh",
    SampleFlags.BUS_ERROR: "roller sensor does not answer",
    SampleFlags.MAGNET_MISSING: "roller: magnet missing",
    SampleFlags.OPEN_CIRCUIT: "roller sensor wire open",
}


@lru_cache(maxsize=1024)
def flag_meanings(load_flags: int, roller_flags: int) -> tuple[str, ...]:
    """Every flag that is set, in words; one that has none here as its bit."""
    said = [text for flag, text in OF_LOAD.items() if load_flags & flag]
    said += [text for flag, text in OF_ROLLER.items() if roller_flags & flag]
    unknown = load_flags & ~sum(SampleFlags)
    return (
        (*dict.fromkeys(said), f"unknown flag 0x{unknown:04x}")
        if unknown
        else (*dict.fromkeys(said),)
    )
