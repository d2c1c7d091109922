"""The first message of every stream: what the rest of it means."""

from __future__ import annotations

from typing import Any, Final

from steelyard_protocol.messages import NO_CHANNEL, TICKS_PERIOD_US
from steelyard_protocol.records import ChannelDescription, ChannelKind, SensorKind

from steelyard.device import BoxDescription
from steelyard.publish.bulletin import Bulletin, Kind, json_bulletin
from steelyard.publish.flag_words import word_of
from steelyard.publish.joint import JointValue
from steelyard.publish.quantities import TORQUE, Scale
from steelyard.publish.scales import BoxScales
from steelyard.strength.machine_profile import MachineProfile

SCHEMA: Final = "steelyard-live"
SCHEMA_VERSION: Final = "1.1"
"""Major.minor.  Within a major number keys and types of message are only added."""

_CLOCKS: Final = {
    "device_us": {
        "unit": "us",
        "meaning": "the box's own clock, made continuous; starts anew with each boot_id",
    },
    "unix_us": {
        "unit": "us",
        "meaning": "the same moment since 1970-01-01 UTC by the broker's wall clock; null until"
        " the clocks have been compared; may step when that clock is set",
    },
}


def metadata_bulletin(
    description: BoxDescription,
    scales: BoxScales,
    site: str,
    machine: str,
    profile: MachineProfile | None = None,
) -> Bulletin:
    """Everything a consumer needs to read the stream."""
    identity = description.identity
    return json_bulletin(
        Kind.METADATA,
        {
            "schema": SCHEMA,
            "schema_version": SCHEMA_VERSION,
            "site": site,
            "machine": machine,
            "box": {
                "box_id": description.box_id_text,
                "name": description.name,
                "board": description.board,
                "firmware_version": description.firmware_version,
                "protocol_version": description.protocol_version,
                "layout_hash": identity.layout_hash.hex(),
            },
            "profile": None if profile is None else _profile(profile),
            "boot_id": identity.boot_id,
            "clocks": {**_CLOCKS, "ticks_period_us": TICKS_PERIOD_US},
            "channels": [
                _channel(description, scales, channel) for channel in description.channels
            ],
            "remarks": list(description.remarks),
        },
    )


def _channel(
    description: BoxDescription, scales: BoxScales, channel: ChannelDescription
) -> dict[str, Any]:
    number = channel.channel
    return {
        "channel": number,
        "kind": word_of(ChannelKind, channel.kind),
        "sensor": word_of(SensorKind, channel.sensor),
        "sensor_serial": description.sensor_serial(number),
        "gain": channel.gain,
        "nominal_rate_hz": channel.nominal_rate_millihertz / 1000,
        "counts": {"unit": "1", "low": channel.counts_low, "high": channel.counts_high},
        "counts_per_turn": channel.counts_per_turn or None,
        "arm_angle_channel": None if channel.angle_channel == NO_CHANNEL else channel.angle_channel,
        "calibration": scales.state(number),
        "value": _value(scales.of(number)),
        "arm_angle_value": _value(scales.of(channel.angle_channel), "arm_"),
        "torque_value": _value(scales.joint_torque(number) or _if_torque(scales.of(number))),
        "joint_angle_value": _value(scales.joint_angle(number)),
    }


def _if_torque(scale: Scale | None) -> Scale | None:
    return scale if scale is not None and scale.quantity is TORQUE else None


def _profile(profile: MachineProfile) -> dict[str, Any]:
    return {
        "name": profile.name,
        "joint": profile.joint.value,
        "signs": "angle: forward bend; torque: extension",
    }


def _value(known: Scale | JointValue | None, prefix: str = "") -> dict[str, Any] | None:
    """Which keys of a sample hold the value, and their unit (UCUM)."""
    if known is None:
        return None
    quantity = known.quantity
    return {
        "quantity": quantity.name,
        "unit": quantity.unit,
        "key": prefix + quantity.key,
        "uncertainty_key": prefix + quantity.uncertainty_key,
        "uncertainty": "standard uncertainty of one sample, coverage factor 1",
        "zeroed": False,
    }
