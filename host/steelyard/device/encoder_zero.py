"""Whether the counts of an incremental encoder stand for an angle.

Such an encoder knows steps, not places: from each start of the box its counts begin with 0
wherever it then stands, and the offset of an angle calibration is worth nothing.  Its index
line, where it has one, sets that right as it passes (firmware/drivers/quadrature_reading.py).
"""

from __future__ import annotations

from typing import Final

from steelyard_protocol.records import ChannelDescription, SensorKind

INDEX_SEEN: Final = 1
INDEX_ASTRAY: Final = 2
"""Bits of an encoder's ``sensor_status``: its index passed; it passed where it should not."""


def forgets_zero(channel: ChannelDescription) -> bool:
    """True for a sensor that counts from where it stood when the box started."""
    return channel.sensor == SensorKind.QUADRATURE


def start_remark(channel: ChannelDescription) -> str:
    """What to know of such a channel after every start of the box; empty for others."""
    if not forgets_zero(channel):
        return ""
    return (
        f"Channel {channel.channel} is an incremental encoder: its angle counts from where it"
        " stood when the box started, until its index passes. Without an index line, start the"
        " box with it in its reference position."
    )
