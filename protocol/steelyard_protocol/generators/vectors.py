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


def _value(item: FieldLayout, number: Callable[[FieldLayout], int], fill: bytes) -> Any:
    if item.is_bytes:
        return fill[: item.count].ljust(item.count, b"\x00").hex()
    return [number(item)] * item.count if item.is_array else number(item)


def _counting(item: FieldLayout) -> int:
    """Bytes that count up, so that a swapped byte order shows; kept within the range."""
    size = item.size // item.count
    value = int.from_bytes(bytes(range(1, size + 1)), "little")
    return min(max(value, item.low), item.high)


def _fields(message: MessageLayout, number: Callable[[FieldLayout], int], fill: bytes) -> Fields:
    return {item.name: _value(item, number, fill) for item in message.fields}


def _cases(message: MessageLayout) -> dict[str, Fields]:
    cases = {
        "counting": _fields(message, _counting, b"Heron 1"),
        "lowest": _fields(message, lambda item: item.low, b""),
        "highest": _fields(message, lambda item: item.high, b"\xff" * 255),
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


def payload_by_construct(message: MessageLayout, fields: Fields) -> bytes:
    """Id + body as construct builds it from a vector's fields."""
    values: Fields = {}
    for item in message.fields:
        value = fields[item.name]
        if item.is_bytes:
            value = bytes.fromhex(value)
        elif item.enumeration is not None and item.enumeration.is_flags:
            value = {name: bool(value & bit) for name, bit in item.enumeration.values}
        values[item.name] = value
    body: bytes = _STRUCTS[message.name].build(values)
    return bytes((message.message_id,)) + body


def _known_bits(message: MessageLayout, fields: Fields) -> Fields:
    """construct drops flag bits that have no name, so vectors it builds leave them out."""
    result = dict(fields)
    for item in message.fields:
        if item.enumeration is not None and item.enumeration.is_flags:
            result[item.name] &= sum(bit for _, bit in item.enumeration.values)
    return result


def message_vectors(message: MessageLayout) -> dict[str, Any]:
    """All vectors of one message as plain data."""
    cases = []
    for name, fields in _cases(message).items():
        known = _known_bits(message, fields)
        payload = payload_by_construct(message, known)
        cases.append(
            {
                "name": name,
                "fields": known,
                "payload": payload.hex(),
                "frame": encode_frame(payload).hex(),
            }
        )
    return {"message": message.name, "id": message.message_id, "cases": cases}


def _typical_load() -> bytes:
    message = next(item for item in layouts() if item.name == "load_sample")
    return payload_by_construct(message, _cases(message)["typical"])


def _load(sequence: int) -> bytes:
    message = next(item for item in layouts() if item.name == "load_sample")
    return payload_by_construct(
        message, _cases(message)["typical"] | {"sequence": sequence % SEQUENCE_PERIOD}
    )


def _encoded(payload: bytes) -> bytes:
    return cobs_encode(payload + crc32(payload).to_bytes(4, "little"))


def corrupt_vectors() -> dict[str, Any]:
    """Bytes between two delimiters that every decoder must refuse, and why."""
    payload = _typical_load()
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
    bad[10] ^= 0xFF if bad[10] != 0xFF else 0x0F
    load = ["message", "load_sample"]
    gap = ["gap", "load_sample", 0]
    cases = [
        ("two frames", first + second, [[*load, 0], [*load, 32]]),
        ("padding is nothing", bytes(5) + first + bytes(64) + second, [[*load, 5], [*load, 101]]),
        ("unfinished tail gives nothing yet", first + second[:20], [[*load, 0]]),
        ("sequence wraps without a gap", last + wrapped, [[*load, 0], [*load, 32]]),
        ("one sample missing", first + third, [[*load, 0], [*gap, 32, 8, 9, 1], [*load, 32]]),
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
        ("an unknown id is skipped", first + unknown + second, [
            [*load, 0], ["unknown", 0x3F, 32], [*load, 96]]),
        ("a long run without a delimiter", b"\xaa" * 1000 + b"\x00" + first, [
            ["corrupt", 0, 1000], [*load, 1001]]),
    ]  # fmt: skip
    return {
        "about": "events: [message, name, offset] | [unknown, id, offset] | [corrupt, offset, "
        "length] | [gap, name, channel, offset, expected, found, missing]",
        "cases": [
            {"name": name, "bytes": data.hex(), "events": events} for name, data, events in cases
        ],
    }


def _files() -> dict[str, Callable[[], dict[str, Any]]]:
    files: dict[str, Callable[[], dict[str, Any]]] = {
        "corrupt.json": corrupt_vectors,
        "streams.json": stream_vectors,
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


def problems(folder: Path) -> list[str]:
    """Vector files that are missing, or that the definition no longer agrees with."""
    found = []
    for name, make in _files().items():
        path = folder / name
        if not path.exists():
            found.append(f"{path.name} is missing; run tools/generate.py")
            continue
        stored = json.loads(path.read_text(encoding="utf-8"))
        expected = {case["name"]: case for case in make()["cases"]}
        for case in stored["cases"]:
            if case["name"] in expected and case != expected[case["name"]]:
                found.append(f"{path.name}, {case['name']!r}: the definition gives other bytes")
    return found
