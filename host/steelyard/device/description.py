"""Who a box is, and whether this program can talk with it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from steelyard_protocol.codec import plain_text
from steelyard_protocol.layout import layout_hash
from steelyard_protocol.messages import (
    CHANNEL_LIMIT,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    TICKS_PERIOD_US,
)
from steelyard_protocol.records import ChannelDescription, ChannelKind, Identity

from steelyard.device.encoder_zero import start_remark
from steelyard.errors import ProtocolMessageError, ProtocolVersionError


@dataclass(frozen=True)
class BoxDescription:
    """A box as it described itself, complete and checked.

    ``remarks`` do no harm but should be known: differences of version, an angle
    that starts anew with the box.
    """

    identity: Identity
    channels: tuple[ChannelDescription, ...]
    remarks: tuple[str, ...] = ()

    @property
    def box_id(self) -> bytes:
        """The microcontroller's unique id, 8 bytes."""
        return self.identity.box_id

    @property
    def box_id_text(self) -> str:
        """The box id as people write it: 16 hexadecimal digits."""
        return self.identity.box_id.hex()

    @property
    def name(self) -> str:
        """The name its owner gave the box; may be empty."""
        return plain_text(self.identity.box_name)

    @property
    def board(self) -> str:
        """The type of its board."""
        return plain_text(self.identity.board)

    @property
    def firmware_version(self) -> str:
        """Version of its firmware, as ``1.2.3``."""
        return ".".join(str(number) for number in self.identity.firmware_version)

    @property
    def protocol_version(self) -> str:
        """Version of the protocol it speaks, as ``1.0``."""
        return f"{self.identity.protocol_major}.{self.identity.protocol_minor}"

    def sensor_serial(self, channel: int) -> str:
        """Serial number of a channel's sensor; may be empty."""
        return plain_text(self.channels[channel].sensor_serial)

    def channels_of(self, kind: ChannelKind) -> tuple[ChannelDescription, ...]:
        """The channels that measure one kind of thing."""
        return tuple(item for item in self.channels if item.kind == kind)


def describe(identity: Identity, channels: Iterable[ChannelDescription]) -> BoxDescription | None:
    """Put a description together from what has arrived; None while some is missing.

    Only channel descriptions of the identity's own boot count.

    Raises:
        ProtocolVersionError: the box must not be talked with.
        ProtocolMessageError: the identity cannot be meant.
    """
    remarks = check_versions(identity)
    if identity.channel_count > CHANNEL_LIMIT or identity.ticks_period_us != TICKS_PERIOD_US:
        raise ProtocolMessageError(
            f"The box says that it has {identity.channel_count} channels and a clock that wraps"
            f" after {identity.ticks_period_us} us; there can be at most {CHANNEL_LIMIT}"
            f" channels, and the clock wraps after {TICKS_PERIOD_US} us.",
            "Load the firmware that belongs to this program onto the box.",
        )
    found = {item.channel: item for item in channels if item.boot_id == identity.boot_id}
    if any(number not in found for number in range(identity.channel_count)):
        return None
    ordered = tuple(found[number] for number in range(identity.channel_count))
    starting = (start_remark(channel) for channel in ordered)
    return BoxDescription(identity, ordered, (*remarks, *filter(None, starting)))


def check_versions(identity: Identity) -> tuple[str, ...]:
    """Compare the box's protocol with this program's; returns harmless differences.

    Raises:
        ProtocolVersionError: different major versions, or different layouts
            under one and the same version.
    """
    box = (identity.protocol_major, identity.protocol_minor)
    host = (PROTOCOL_MAJOR, PROTOCOL_MINOR)
    versions = f"box {box[0]}.{box[1]}, this program {host[0]}.{host[1]}"
    if box[0] > host[0]:
        raise ProtocolVersionError(
            f"The box speaks a newer protocol than this program ({versions}).",
            "Update this program.",
        )
    if box[0] < host[0]:
        raise ProtocolVersionError(
            f"The box speaks an older protocol than this program ({versions}).",
            "Load the firmware that belongs to this program onto the box (tools/deploy.py).",
        )
    if box == host and identity.layout_hash != layout_hash():
        raise ProtocolVersionError(
            f"Box and program both say protocol {box[0]}.{box[1]}, but their messages are laid"
            f" out differently (box {identity.layout_hash.hex()}, this program"
            f" {layout_hash().hex()}).",
            "One of them is a development version whose number was not raised. Load the"
            " firmware that belongs to this program onto the box (tools/deploy.py).",
        )
    if box[1] > host[1]:
        return (
            f"The box is newer ({versions}): messages this program does not know are skipped"
            " and counted.",
        )
    if box[1] < host[1]:
        return (f"The box is older ({versions}): some requests may be refused as unknown.",)
    return ()
