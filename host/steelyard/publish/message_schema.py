"""The JSON Schema of the messages (draft 2020-12), made from the code that makes them.

Keys may be added within a major version, so nothing forbids further ones; a
consumer ignores what it does not know.
"""

from __future__ import annotations

from typing import Any, Final

from steelyard_protocol.records import ChannelKind, EventKind, SampleFlags, SensorKind

from steelyard.publish.bulletin import Kind
from steelyard.publish.metadata import SCHEMA, SCHEMA_VERSION
from steelyard.publish.quantities import QUANTITIES
from steelyard.publish.sample_text import MESSAGE_SAMPLES
from steelyard.strength.machine_profile import Joint

Schema = dict[str, Any]

_FLAG: Final[Schema] = {
    "description": "one of: " + ", ".join(str(flag.name).lower() for flag in SampleFlags) + "."
    " A flag unknown to the broker is given as hexadecimal.",
    "type": "string",
}


def _number(description: str, **more: Any) -> Schema:
    return {"description": description, "type": "number", **more}


def _integer(description: str, **more: Any) -> Schema:
    return {"description": description, "type": "integer", **more}


def _text(description: str, **more: Any) -> Schema:
    return {"description": description, "type": "string", **more}


def _or_null(schema: Schema) -> Schema:
    return {**schema, "type": [schema["type"], "null"]}


def _object(
    description: str, properties: dict[str, Schema], optional: tuple[str, ...] = ()
) -> Schema:
    return {
        "description": description,
        "type": "object",
        "properties": properties,
        "required": [name for name in properties if name not in optional],
    }


def _list(description: str, items: Schema) -> Schema:
    return {"description": description, "type": "array", "items": items}


def _total(description: str) -> Schema:
    return _integer(description, minimum=0)


_LIVE: Final[Schema] = {
    "description": "false: NOT LIVE, what was shown before must not be taken for the present",
    "type": "boolean",
}
_BOOT: Final = _integer("drawn anew whenever the box starts", minimum=0)
_DEVICE_US: Final = _integer("the box's own clock, made continuous within a boot [us]")
_UNIX_US: Final = _or_null(
    _integer("microseconds since 1970-01-01 UTC by the broker's clock; null: not known yet")
)
_SEQUENCE: Final = _integer("counts modulo 2**30", minimum=0, maximum=(1 << 30) - 1)
_CHANNEL: Final = _integer("index of the channel", minimum=0, maximum=7)


def _values(prefix: str) -> dict[str, Schema]:
    properties: dict[str, Schema] = {}
    for quantity in QUANTITIES:
        if prefix and quantity.name != "angle":
            continue  # of the arm there is the angle alone
        properties[prefix + quantity.key] = _or_null(
            _number(f"calibrated value [{quantity.unit}]; null: no sound reading")
        )
        properties[prefix + quantity.uncertainty_key] = _or_null(
            _number(f"standard uncertainty (k = 1) of this one sample [{quantity.unit}]", minimum=0)
        )
    properties[prefix + "extrapolated"] = {
        "description": "the value lies outside what was calibrated",
        "const": True,
    }
    return properties


def _sample() -> Schema:
    joint = {
        "joint_angle_extrapolated": {
            "description": "the joint's angle lies outside what is known",
            "const": True,
        }
    }
    optional = {**_values(""), **_values("arm_"), **joint}
    of_load = {
        "arm_angle_counts": _or_null(_integer("raw angle of the arm; null: none")),
        "arm_angle_age_us": _integer(
            "the angle was read this long before; 65535: that or more [us]", minimum=0
        ),
    }
    properties = {
        "channel": _CHANNEL,
        "sequence": _SEQUENCE,
        "device_us": _DEVICE_US,
        "unix_us": _UNIX_US,
        "counts": _or_null(_integer("raw reading; null: none")),
        "sound": {
            "description": "whether the reading measures anything; if not, the flags say why",
            "type": "boolean",
        },
        "flags": _list("what is wrong or notable", _FLAG),
        **optional,
        **of_load,
    }
    return _object(
        "One reading. Calibrated values are there when the metadata of the channel name them.",
        properties,
        (*optional, *of_load),
    )


def _value() -> Schema:
    keys = [quantity.key for quantity in QUANTITIES]
    schema = _object(
        "which keys of a sample hold the calibrated value; null: there are raw counts only",
        {
            "quantity": _text("what it is", enum=[quantity.name for quantity in QUANTITIES]),
            "unit": _text(
                "UCUM code", enum=list(dict.fromkeys(quantity.unit for quantity in QUANTITIES))
            ),
            "key": _text("key of the value", enum=[*keys, "arm_angle_degrees"]),
            "uncertainty_key": _text("key of its uncertainty"),
            "uncertainty": _text("which uncertainty that is"),
            "zeroed": {"description": "whether a zeroing was applied", "type": "boolean"},
        },
    )
    return _or_null(schema)


def _calibration() -> Schema:
    properties = {
        "state": _text(
            "none: raw counts only; refused: one was given that is not for this sensor",
            enum=["none", "refused", "in_force", "overdue", "undated"],
        ),
        "calibration_id": _text("SHA-256 of the calibration", pattern="^[0-9a-f]{64}$"),
        "due_on": _or_null(_text("day by which to calibrate again", format="date")),
        "age_days": _number("days since it was made, when the stream was described", minimum=0),
        "reason": _text("why it was refused"),
    }
    return _object("the calibration of a channel", properties, tuple(properties)[1:])


def _described_channel() -> Schema:
    return _object(
        "one channel of the box",
        {
            "channel": _CHANNEL,
            "kind": _text("one of: " + ", ".join(kind.name.lower() for kind in ChannelKind)),
            "sensor": _text("one of: " + ", ".join(kind.name.lower() for kind in SensorKind)),
            "sensor_serial": _text("serial number of the sensor; may be empty"),
            "gain": _integer("amplifier gain; 1 where there is none"),
            "nominal_rate_hz": _number("rate the part promises [Hz]; status has the measured one"),
            "counts": _object(
                "raw readings",
                {
                    "unit": _text("UCUM code", const="1"),
                    "low": _integer("lowest the part can give"),
                    "high": _integer("highest the part can give"),
                },
            ),
            "counts_per_turn": _or_null(_integer("counts in a full turn; null: does not turn")),
            "arm_angle_channel": _or_null(_integer("whose angle its samples carry; null: none")),
            "calibration": _calibration(),
            "value": _value(),
            "arm_angle_value": _value(),
            "torque_value": _value(),
            "joint_angle_value": _value(),
        },
    )


def _clock_meaning(unit: str) -> Schema:
    return _object(
        "a clock", {"unit": _text("UCUM code", const=unit), "meaning": _text("what it counts")}
    )


def message_schemas() -> dict[Kind, Schema]:
    """Each type of message, by kind."""
    at = _or_null(_integer("when, since 1970-01-01 UTC by the broker's clock [us]"))
    return {
        Kind.METADATA: _message(
            Kind.METADATA,
            "What the stream is. The first message; sent again whenever it changes.",
            {
                "schema": _text("name of this schema", const=SCHEMA),
                "schema_version": _text("major.minor", pattern=r"^[0-9]+\.[0-9]+$"),
                "site": _text("name of the place"),
                "machine": _text("name of the machine; may be empty"),
                "box": _object(
                    "the sensor box",
                    {
                        "box_id": _text("its unique id", pattern="^[0-9a-f]{16}$"),
                        "name": _text("what its owner calls it; may be empty"),
                        "board": _text("type of board"),
                        "firmware_version": _text("major.minor.patch"),
                        "protocol_version": _text("major.minor, of the frames at /wire"),
                        "layout_hash": _text("of the frames at /wire", pattern="^[0-9a-f]{16}$"),
                    },
                ),
                "profile": _or_null(
                    _object(
                        "the machine's profile, which torque and joint angle rest on",
                        {
                            "name": _text("name of the machine"),
                            "joint": _text("which joint", enum=[joint.value for joint in Joint]),
                            "signs": _text("what is positive"),
                        },
                    )
                ),
                "boot_id": _BOOT,
                "clocks": _object(
                    "what the times mean",
                    {
                        "device_us": _clock_meaning("us"),
                        "unix_us": _clock_meaning("us"),
                        "ticks_period_us": _integer("wrap of the clock in the frames [us]"),
                    },
                ),
                "channels": _list("by index", _described_channel()),
                "remarks": _list(
                    "harmless, but to be known: versions that differ, an angle that starts anew",
                    _text("for people"),
                ),
            },
        ),
        Kind.LINK: _message(
            Kind.LINK,
            "The stream became live, or stopped being so.",
            {"live": _LIVE, "reason": _text("why not; empty when live"), "at_unix_us": at},
            ("at_unix_us",),
        ),
        Kind.SAMPLES: _message(
            Kind.SAMPLES,
            "Readings of one boot, in the order in which they came.",
            {
                "boot_id": _BOOT,
                "samples": {
                    **_list(f"one to {MESSAGE_SAMPLES}", _sample()),
                    "minItems": 1,
                    "maxItems": MESSAGE_SAMPLES,
                },
            },
        ),
        Kind.EVENT: _message(
            Kind.EVENT,
            "Something happened once.",
            {
                "boot_id": _BOOT,
                "sequence": _SEQUENCE,
                "device_us": _DEVICE_US,
                "unix_us": _UNIX_US,
                "event": _text("one of: " + ", ".join(kind.name.lower() for kind in EventKind)),
                "channel": _or_null(_integer("concerned; null: the box itself")),
                "flags": _list("for faults: which", _FLAG),
            },
        ),
        Kind.GAP: _message(
            Kind.GAP,
            "Samples (or, without a channel, events) that the box numbered and that never came."
            " Stands before the message with the first one after them.",
            {
                "boot_id": _BOOT,
                "channel": _or_null(_integer("concerned; null: events")),
                "sequence_expected": _SEQUENCE,
                "sequence_found": _SEQUENCE,
                "missing": _total("how many"),
            },
        ),
        Kind.LOSS: _message(
            Kind.LOSS,
            "Messages are missing at this place because somebody was too slow.",
            {
                "where": _text(
                    "consumer: this one did not read in time; broker: for everybody",
                    enum=["consumer", "broker"],
                ),
                "samples_missed": _total("samples missing here"),
                "messages_missed": _total("messages of all kinds missing here"),
                "samples_missed_total": _total("since the connection, or the broker, began"),
            },
        ),
        Kind.STATUS: _message(
            Kind.STATUS,
            "Once a second, whatever happens. None for three seconds: the connection is dead.",
            {
                "live": _LIVE,
                "at_unix_us": at,
                "samples_total": _total("samples that came from the box"),
                "samples_missing_total": _total("samples and events lost before the broker"),
                "box_dropped_total": _total("samples that the box itself dropped in this boot"),
                "corrupt_frames_total": _total("frames that arrived damaged"),
                "reboots_total": _total("restarts of the box"),
                "clock_timeouts_total": _total("comparisons of clocks that failed"),
                "measured_rate_hz": {
                    "description": "samples a second by the box's clock, by channel [Hz]",
                    "type": "object",
                    "additionalProperties": {"type": "number"},
                },
                "clock": _object(
                    "how unix_us was found",
                    {
                        "aligned": {"description": "whether it is known", "type": "boolean"},
                        "device_fast_ppm": _number("how much too fast the box's clock runs [1e-6]"),
                        "standard_uncertainty_us": _number("of unix_us against that clock [us]"),
                        "marks": _total("comparisons it rests on"),
                    },
                    ("device_fast_ppm", "standard_uncertainty_us", "marks"),
                ),
                "openings_total": _total("times the box was opened"),
            },
        ),
        Kind.RECORDING: _message(
            Kind.RECORDING,
            "The recording that the broker itself makes: when something about it changes, and"
            " once a second while there is one.",
            {
                "on": {"description": "whether it is being written", "type": "boolean"},
                "file": _or_null(_text("name of the file; null: there is no recording")),
                "seconds": _number("since it began [s]", minimum=0),
                "size_bytes": _total("bytes in the file"),
                "samples_total": _total("samples in it"),
                "samples_missing_total": _total("samples and events missing in it"),
                "problem": _text(
                    "why nothing is being written, for the operator; empty when all is well"
                ),
                "unwritten_bytes_total": _total("bytes that the disk did not take"),
                "at_unix_us": at,
            },
        ),
    }


def _message(
    kind: Kind, description: str, properties: dict[str, Schema], optional: tuple[str, ...] = ()
) -> Schema:
    marked = {"type": {"const": kind.value}, **properties}
    return _object(description, marked, optional)


def live_schema() -> Schema:
    """The schema of any message."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"{SCHEMA} {SCHEMA_VERSION}",
        "description": "One message of a Steelyard live stream.",
        "oneOf": [{"$ref": f"#/$defs/{kind.value}"} for kind in message_schemas()],
        "$defs": {kind.value: schema for kind, schema in message_schemas().items()},
    }
