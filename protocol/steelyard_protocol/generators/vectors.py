"""Golden vectors: bytes and the fields they hold, built by construct itself.

Once written a vector is frozen: this module adds the ones that are missing and
checks the ones that are there, and never rewrites one.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zlib import crc32

from ..frame import cobs_encode, encode_frame
from ..layout import FieldLayout, MessageLayout, layouts
from ..messages import MESSAGES, NO_COUNTS, SEQUENCE_PERIOD, TICKS_PERIOD_US

Fields = dict[str, Any]
_STRUCTS = {definition.name: definition.body for definition in MESSAGES}


def _limit(item: FieldLayout, value: int) -> Any:
    """A field at a limit: fixed bytes all zero or all ones, numbers and arrays the value."""
    if item.is_bytes:
        return (b"\xff" if value else b"\x00").hex() * item.count
    return [value] * item.count if item.is_array else value


def _known_bits(item: FieldLayout) -> int:
    """All bits of a flags field that have a name (all of any other field)."""
    if item.enumeration is None or not item.enumeration.is_flags:
        return -1
    return sum(bit for _, bit in item.enumeration.values)


def _counting(message: MessageLayout) -> Fields:
    """Bytes that count up from 01 through the whole body, so no two fields are alike.

    A number beyond its range is taken modulo the range; unnamed flag bits are left out.
    """
    fields: Fields = {}
    for item in message.fields:
        start = item.offset
        data = bytes((start + index) & 0xFF for index in range(item.size))
        if item.is_bytes:
            fields[item.name] = data.hex()
            continue
        size = item.size // item.count
        numbers = [
            _into_range(item, int.from_bytes(data[at : at + size], "little"))
            for at in range(0, item.size, size)
        ]
        fields[item.name] = numbers if item.is_array else numbers[0]
    return fields


def _into_range(item: FieldLayout, value: int) -> int:
    value &= _known_bits(item)
    if item.low <= value <= item.high:
        return value
    return item.low + value % (item.high - item.low + 1)


def _cases(message: MessageLayout) -> dict[str, Fields]:
    cases = {
        "counting": _counting(message),
        "lowest": {item.name: _limit(item, item.low) for item in message.fields},
        "highest": {
            item.name: _limit(item, item.high & _known_bits(item)) for item in message.fields
        },
    }
    if message.name == "load_sample":
        typical = {
            "channel": 0, "flags": 0, "boot_id": 0x2F5A9C31, "sequence": 4711,
            "device_ticks_us": 50_123_456, "load_counts": 181_250, "angle_counts": 2047,
            "angle_age_us": 1830,
        }  # fmt: skip
        cases["typical"] = typical
        cases["before wrap"] = typical | {
            "sequence": SEQUENCE_PERIOD - 1, "device_ticks_us": TICKS_PERIOD_US - 1,
        }  # fmt: skip
        cases["after wrap"] = typical | {"sequence": 0, "device_ticks_us": 0}
        cases["saturated high"] = typical | {"flags": 0x0001, "load_counts": 0x7FFFFF}
        cases["saturated low"] = typical | {"flags": 0x0002, "load_counts": -0x800000}
        cases["minus one"] = typical | {"flags": 0x0020, "load_counts": -1}
        cases["no reading"] = typical | {
            "flags": 0x0184, "load_counts": NO_COUNTS, "angle_counts": NO_COUNTS,
            "angle_age_us": 65535,
        }  # fmt: skip
    return cases


def _as_json(message: MessageLayout, fields: Fields) -> Fields:
    """64-bit numbers as decimal text: many JSON readers would round them."""
    wide = {item.name for item in message.fields if item.format == "Q"}
    return {name: str(value) if name in wide else value for name, value in fields.items()}


def payload_by_construct(message: MessageLayout, fields: Fields) -> bytes:
    """Id + body as construct builds it from a vector's fields."""
    values: Fields = {}
    for item in message.fields:
        value = fields[item.name]
        if item.is_bytes:
            value = bytes.fromhex(value)
        elif item.format == "Q":
            value = int(value)
        elif item.enumeration is not None and item.enumeration.is_flags:
            value = {name: bool(value & bit) for name, bit in item.enumeration.values}
        values[item.name] = value
    body: bytes = _STRUCTS[message.name].build(values)
    return bytes((message.message_id,)) + body


def message_vectors(message: MessageLayout) -> dict[str, Any]:
    """All vectors of one message as plain data."""
    cases = [
        _case(message, name, fields, payload_by_construct(message, fields))
        for name, fields in _cases(message).items()
    ]
    return {"message": message.name, "id": message.message_id, "cases": cases}


def _case(message: MessageLayout, name: str, fields: Fields, payload: bytes) -> Fields:
    return {
        "name": name,
        "fields": _as_json(message, fields),
        "payload": payload.hex(),
        "frame": encode_frame(payload).hex(),
    }


def _payload(name: str, **changes: int) -> bytes:
    """A plain message of a kind, with some fields changed."""
    message = next(item for item in layouts() if item.name == name)
    fields = _cases(message).get("typical") or {
        item.name: _limit(item, 0) for item in message.fields
    } | {"boot_id": 0x2F5A9C31}
    return payload_by_construct(message, fields | changes)


def _load(sequence: int, **changes: int) -> bytes:
    return _payload("load_sample", sequence=sequence % SEQUENCE_PERIOD, **changes)


def _encoded(payload: bytes) -> bytes:
    return cobs_encode(payload + crc32(payload).to_bytes(4, "little"))


def corrupt_vectors() -> dict[str, Any]:
    """Bytes between two delimiters that every decoder must refuse, and why."""
    payload = _payload("load_sample")
    sound = _encoded(payload)
    flipped = bytearray(sound)
    flipped[5] ^= 0x10
    swapped = payload + crc32(payload).to_bytes(4, "big")
    cases = [
        ("one bit flipped", bytes(flipped), "CRC"),
        ("CRC sent high byte first", cobs_encode(swapped), "CRC"),
        ("truncated by one byte", sound[:-1], "not COBS"),
        ("truncated to half", sound[:15], "not COBS"),
        ("first byte lost", sound[1:], "CRC"),
        ("code points past the end", b"\x05abc", "not COBS"),
        ("nothing but a code byte", b"\x01", "too short"),
        ("CRC of nothing", cobs_encode(bytes(4)), "too short"),
        ("one trailing byte inside a right CRC", _encoded(payload + b"\x07"), "wrong length"),
        ("one byte short inside a right CRC", _encoded(payload[:-1]), "wrong length"),
        ("longer than any frame", b"\xaa" * 256, "too long"),
    ]
    return {
        "cases": [
            {"name": name, "bytes": data.hex(), "reason": reason} for name, data, reason in cases
        ]
    }


def stream_vectors() -> dict[str, Any]:
    """Streams and the events they give, for decoders that work byte by byte."""
    first, second, third = (encode_frame(_load(n)) for n in (7, 8, 9))
    last, wrapped = encode_frame(_load(-1)), encode_frame(_load(0))
    unknown = encode_frame(b"\x3fnew in some later minor version")
    bad = bytearray(second)
    bad[10] ^= 0x0F
    full = encode_frame(b"\x3f" + b"\x11" * 249)
    load = ["message", "load_sample"]
    angle = ["message", "angle_sample"]
    event = ["message", "event"]
    gap = ["gap", "load_sample", 0]
    cases = [
        ("two frames", first + second, [[*load, 0], [*load, 32]]),
        ("padding is nothing", bytes(5) + first + bytes(64) + second, [[*load, 5], [*load, 101]]),
        ("unfinished tail gives nothing yet", first + second[:20], [[*load, 0]]),
        ("sequence wraps without a gap", last + wrapped, [[*load, 0], [*load, 32]]),
        ("one sample missing", first + third, [[*load, 0], [*gap, 32, 8, 9, 1], [*load, 32]]),
        (
            "a repeated sample is no gap",
            first + second + second + first + third,
            [[*load, 0], [*load, 32], [*load, 64], [*load, 96], [*load, 128]],
        ),
        (
            "a gap across the wrap",
            last + encode_frame(_load(2)),
            [[*load, 0], [*gap, 32, 0, 2, 2], [*load, 32]],
        ),
        (
            "a new boot starts its own numbering",
            third + encode_frame(_load(0, boot_id=99)) + encode_frame(_load(1, boot_id=99)),
            [[*load, 0], [*load, 32], [*load, 64]],
        ),
        (
            "each channel and kind has a numbering of its own",
            first
            + encode_frame(_load(40, channel=1))
            + encode_frame(_payload("angle_sample", channel=1, sequence=3))
            + second
            + encode_frame(_load(42, channel=1))
            + encode_frame(_payload("angle_sample", channel=1, sequence=5)),
            [
                [*load, 0], [*load, 32], [*angle, 64], [*load, 96],
                ["gap", "load_sample", 1, 128, 41, 42, 1], [*load, 128],
                ["gap", "angle_sample", 1, 160, 4, 5, 1], [*angle, 160],
            ],
        ),
        (
            "events are numbered too",
            encode_frame(_payload("event", sequence=1))
            + encode_frame(_payload("event", sequence=4)),
            [[*event, 0], ["gap", "event", 255, 32, 2, 4, 2], [*event, 32]],
        ),
        (
            "garbage costs itself and nothing else",
            first + b"AT\r\n\x00" + second,
            [[*load, 0], ["corrupt", 32, 4], [*load, 37]],
        ),
        (
            "garbage without a delimiter takes the next frame with it",
            first + b"AT\r\n" + second + third,
            [[*load, 0], ["corrupt", 32, 35], [*gap, 68, 8, 9, 1], [*load, 68]],
        ),
        (
            "a damaged frame is one corrupt frame and one gap",
            first + bytes(bad) + third,
            [[*load, 0], ["corrupt", 32, 31], [*gap, 64, 8, 9, 1], [*load, 64]],
        ),
        (
            "an unknown id is skipped",
            first + unknown + second,
            [[*load, 0], ["unknown", 0x3F, 32], [*load, 96]],
        ),
        (
            "an unknown id without a body",
            encode_frame(b"\x3f") + first,
            [["unknown", 0x3F, 0], [*load, 32]],
        ),
        (
            "the longest frame: 255 bytes and no zero in it",
            full + first,
            [["unknown", 0x3F, 0], [*load, 256]],
        ),
        (
            "a long run without a delimiter",
            b"\xaa" * 1000 + b"\x00" + first,
            [["corrupt", 0, 1000], [*load, 1001]],
        ),
    ]  # fmt: skip
    return {
        "about": "events: [message, name, offset] | [unknown, id, offset] | [corrupt, offset, "
        "length] | [gap, name, channel, offset, expected, found, missing]; offset: of the first "
        "byte that is not a delimiter; length: without the delimiter; a gap comes before the "
        "message after it and has that message's offset; the channel of an event's gap is 255",
        "cases": [
            {"name": name, "bytes": data.hex(), "events": events} for name, data, events in cases
        ],
    }


def unknown_value_vectors() -> dict[str, Any]:
    """Frames from a later minor version: values and bits without a name yet are kept."""
    cases = [
        ("an event of an unknown kind", "event", {"kind": 200}),
        ("a flag without a name", "load_sample", {"flags": 0x8001}),
        ("a reply with an unknown outcome", "reply", {"outcome": 77}),
    ]
    vectors = []
    for name, message_name, changes in cases:
        message = next(item for item in layouts() if item.name == message_name)
        ((field_name, value),) = changes.items()
        place = next(item for item in message.fields if item.name == field_name)
        payload = bytearray(_payload(message_name))
        payload[place.offset : place.offset + place.size] = value.to_bytes(place.size, "little")
        vectors.append(
            {
                "name": name,
                "message": message_name,
                "field": field_name,
                "value": value,
                "frame": encode_frame(bytes(payload)).hex(),
            }
        )
    return {"cases": vectors}


def time_vectors() -> dict[str, Any]:
    """Ticks as they arrive, and the microseconds they stand for within their boot."""
    top = TICKS_PERIOD_US - 1
    cases = [
        ("no wrap", [5, 1000, 12_000], [5, 1000, 12_000]),
        ("over the wrap", [top - 9, top, 0, 5], [top - 9, top, top + 1, top + 6]),
        (
            "a little back is no wrap: kinds of message overtake each other",
            [20_000, 19_829, 30_000],
            [20_000, 19_829, 30_000],
        ),
        (
            "a little back across the wrap",
            [top - 100, 50, top - 20, 90],
            [top - 100, top + 51, top - 20, top + 91],
        ),
        (
            "two wraps, a status every second",
            [top, *(second * 1_000_000 % TICKS_PERIOD_US for second in range(1, 2200, 400))],
            [top, *(TICKS_PERIOD_US + second * 1_000_000 for second in range(1, 2200, 400))],
        ),
    ]
    return {
        "about": "within one boot_id; the first value is taken as it is",
        "cases": [
            {"name": name, "device_ticks_us": ticks, "device_us": unwrapped}
            for name, ticks, unwrapped in cases
        ],
    }


def _files() -> dict[str, Callable[[], dict[str, Any]]]:
    files: dict[str, Callable[[], dict[str, Any]]] = {
        "corrupt.json": corrupt_vectors,
        "streams.json": stream_vectors,
        "unknown_values.json": unknown_value_vectors,
        "times.json": time_vectors,
    }
    for message in layouts():
        files[f"message_{message.name}.json"] = lambda message=message: message_vectors(message)  # type: ignore[misc]
    return files


def add_missing(folder: Path) -> list[Path]:
    """Write the vector files that do not exist yet; return them."""
    written = []
    folder.mkdir(parents=True, exist_ok=True)
    for name, make in _files().items():
        path = folder / name
        if not path.exists():
            path.write_text(json.dumps(make(), indent=1) + "\n", encoding="utf-8")
            written.append(path)
    return written


def _disagreeing_cases(name: str, stored: list[Fields], now: list[Fields]) -> list[str]:
    """Names of frozen cases whose bytes the definition no longer gives.

    A message's case is built again from its own fields, not compared with what
    would be written today: ``highest`` of a flags field grows with its bits.
    """
    by_name = {message.name: message for message in layouts()}
    message = by_name.get(name.removeprefix("message_").removesuffix(".json"))
    if message is None or not name.startswith("message_"):
        expected = {case["name"]: case for case in now}
        return [c["name"] for c in stored if expected.get(c["name"], c) != c]
    found = []
    for case in stored:
        payload = payload_by_construct(message, case["fields"])
        if case != _case(message, case["name"], case["fields"], payload):
            found.append(case["name"])
    return found


def problems(folder: Path) -> list[str]:
    """Vector files that are missing, or that the definition no longer agrees with."""
    found = []
    for name, make in _files().items():
        path = folder / name
        if not path.exists():
            found.append(f"{path.name} is missing; run tools/generate.py")
            continue
        stored = json.loads(path.read_text(encoding="utf-8"))
        found += [
            f"{path.name}, {case!r}: the definition gives other bytes"
            for case in _disagreeing_cases(name, stored["cases"], make()["cases"])
        ]
    return found
