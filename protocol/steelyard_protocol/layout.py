"""Walk the construct definition and refuse whatever the other generators could not follow.

The result is plain data: name, byte offset, struct format, unit, range.  Every
generator and the numpy decoder read this, never construct itself.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

import construct

from . import messages
from .messages import Meaning, MessageDefinition, Origin

CRC_BYTES: Final = 4
ENCODED_LIMIT: Final = 254
"""Longest id + body + CRC: up to here COBS adds exactly one byte (Cheshire & Baker 1999)."""

SAMPLE_BYTES: Final = 26
"""Id + body of a sample: with CRC, COBS byte and delimiter exactly one slot."""

_INTEGER_FORMATS: Final = {"<B": "B", "<H": "H", "<L": "I", "<Q": "Q", "<h": "h", "<l": "i"}
_ALIASES: Final = {">B": "<B", "=B": "<B", "B": "<B"}
_LIMITS: Final = {
    "B": (0, 0xFF),
    "H": (0, 0xFFFF),
    "I": (0, 0xFFFFFFFF),
    "Q": (0, 0xFFFFFFFFFFFFFFFF),
    "h": (-0x8000, 0x7FFF),
    "i": (-0x80000000, 0x7FFFFFFF),
}
_SIZES: Final = {"B": 1, "H": 2, "h": 2, "I": 4, "i": 4, "Q": 8}


class UnsupportedLayoutError(ValueError):
    """The definition uses something outside the subset; the message names field and type."""


@dataclass(frozen=True)
class EnumerationLayout:
    """A named set of values: exclusive ones (enum) or single bits (flags)."""

    name: str
    is_flags: bool
    values: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class FieldLayout:
    """One field. ``offset`` counts from the message id, which is byte 0."""

    name: str
    offset: int
    format: str
    """struct letter of one element; ``s`` for fixed bytes"""
    count: int
    """elements of an array, bytes of a fixed-bytes field, else 1"""
    is_array: bool
    low: int
    high: int
    unit: str
    meaning: str
    enumeration: EnumerationLayout | None = None

    @property
    def is_bytes(self) -> bool:
        """True for a fixed-bytes field."""
        return self.format == "s"

    @property
    def size(self) -> int:
        """Bytes the field takes."""
        return self.count * (1 if self.is_bytes else _SIZES[self.format])

    @property
    def struct_code(self) -> str:
        """The field in a struct format string."""
        return f"{self.count}{self.format}" if self.is_bytes or self.is_array else self.format

    @property
    def type_name(self) -> str:
        """The type as documents print it, e.g. ``u16``, ``i32``, ``bytes[16]``, ``u32[8]``."""
        if self.is_bytes:
            return f"bytes[{self.count}]"
        sign = "i" if self.format.islower() else "u"
        name = f"{sign}{8 * _SIZES[self.format]}"
        return f"{name}[{self.count}]" if self.is_array else name


@dataclass(frozen=True)
class MessageLayout:
    """One message. ``size`` counts id and body, without CRC."""

    message_id: int
    name: str
    origin: Origin
    meaning: str
    fields: tuple[FieldLayout, ...]
    size: int = field(default=0)

    @property
    def class_name(self) -> str:
        """Name of the message's record class, e.g. ``LoadSample``."""
        return "".join(part.capitalize() for part in self.name.split("_"))

    @property
    def struct_format(self) -> str:
        """struct format of the body, little endian, after the id byte."""
        return "<" + "".join(item.struct_code for item in self.fields)

    @property
    def wire_bytes(self) -> int:
        """Bytes on the wire: COBS byte, id, body, CRC, delimiter, padded to whole slots."""
        frame = 1 + self.size + CRC_BYTES + 1
        return -(-frame // messages.SLOT_BYTES) * messages.SLOT_BYTES


def _refuse(where: str, subcon: object) -> UnsupportedLayoutError:
    return UnsupportedLayoutError(
        f"{where}: {type(subcon).__name__} is outside the subset; use fixed little-endian "
        "integers, fixed arrays of them, Enum, FlagsEnum or Bytes(n)"
    )


def _integer_format(where: str, subcon: Any) -> str:
    if not isinstance(subcon, construct.FormatField):
        raise _refuse(where, subcon)
    text = _ALIASES.get(subcon.fmtstr, subcon.fmtstr)
    if text not in _INTEGER_FORMATS:
        raise UnsupportedLayoutError(f"{where}: format {subcon.fmtstr!r} is not supported")
    return _INTEGER_FORMATS[text]


def _enumeration(where: str, subcon: Any) -> EnumerationLayout:
    name = next((name for name, value in vars(messages).items() if value is subcon), None)
    if name is None:
        raise UnsupportedLayoutError(f"{where}: enumerations must be named in messages.py")
    if isinstance(subcon, construct.FlagsEnum):
        return EnumerationLayout(name, True, tuple(subcon.flags.items()))
    values = tuple((str(label), int(number)) for label, number in subcon.encmapping.items())
    return EnumerationLayout(name, False, values)


def _field_layout(where: str, renamed: Any, offset: int) -> FieldLayout:
    if not isinstance(renamed, construct.Renamed) or not renamed.name:
        raise UnsupportedLayoutError(f"{where}: every field needs a name")
    where = f"{where}.{renamed.name}"
    meaning = renamed.docs
    if not isinstance(meaning, Meaning):
        raise UnsupportedLayoutError(f"{where}: every field needs a meaning; use field(...)")
    subcon: Any = renamed.subcon
    while isinstance(subcon, construct.Renamed):
        subcon = subcon.subcon
    enumeration, count, is_array = None, 1, False
    if isinstance(subcon, construct.Bytes):
        if not isinstance(subcon.length, int):
            raise UnsupportedLayoutError(f"{where}: bytes need a fixed length")
        return FieldLayout(
            renamed.name, offset, "s", subcon.length, False, 0, 255, meaning.unit, str(meaning)
        )
    if isinstance(subcon, construct.Array):
        if not isinstance(subcon.count, int):
            raise UnsupportedLayoutError(f"{where}: arrays need a fixed count")
        count, is_array, subcon = subcon.count, True, subcon.subcon
    if isinstance(subcon, (construct.Enum, construct.FlagsEnum)):
        enumeration = _enumeration(where, subcon)
        subcon = subcon.subcon
    code = _integer_format(where, subcon)
    low, high = _LIMITS[code]
    return FieldLayout(
        renamed.name,
        offset,
        code,
        count,
        is_array,
        low if meaning.low is None else meaning.low,
        high if meaning.high is None else meaning.high,
        meaning.unit,
        str(meaning),
        enumeration,
    )


def message_layout(definition: MessageDefinition) -> MessageLayout:
    """Lay one message out.

    Raises:
        UnsupportedLayoutError: a field is outside the subset, or the message is
            too long to be framed with one byte of COBS overhead.
    """
    if not isinstance(definition.body, construct.Struct):
        raise _refuse(definition.name, definition.body)
    fields: list[FieldLayout] = []
    offset = 1
    for subcon in definition.body.subcons:
        item = _field_layout(definition.name, subcon, offset)
        fields.append(item)
        offset += item.size
    if offset + CRC_BYTES > ENCODED_LIMIT:
        raise UnsupportedLayoutError(
            f"{definition.name}: {offset} bytes with its id; "
            f"the limit is {ENCODED_LIMIT - CRC_BYTES}"
        )
    return MessageLayout(
        definition.message_id,
        definition.name,
        definition.origin,
        definition.meaning,
        tuple(fields),
        offset,
    )


@cache
def layouts() -> tuple[MessageLayout, ...]:
    """Every message, in order of definition.

    Raises:
        UnsupportedLayoutError: see `message_layout`; also for an id used twice.
    """
    result = tuple(message_layout(definition) for definition in messages.MESSAGES)
    if len({item.message_id for item in result}) != len(result):
        raise UnsupportedLayoutError("two messages share an id")
    return result


@cache
def layouts_by_id() -> dict[int, MessageLayout]:
    """Every message by its id."""
    return {item.message_id: item for item in layouts()}


def enumerations() -> tuple[EnumerationLayout, ...]:
    """Every enumeration the messages use, in order of first use."""
    found: dict[str, EnumerationLayout] = {}
    for message in layouts():
        for item in message.fields:
            if item.enumeration is not None:
                found.setdefault(item.enumeration.name, item.enumeration)
    return tuple(found.values())


def snapshot() -> dict[str, Any]:
    """The layout as plain data: what must never change within a major version."""
    return {
        "protocol": [messages.PROTOCOL_MAJOR, messages.PROTOCOL_MINOR],
        "messages": {
            message.name: {
                "id": message.message_id,
                "origin": message.origin.name.lower(),
                "size": message.size,
                "fields": [
                    {
                        "name": item.name,
                        "offset": item.offset,
                        "type": item.type_name,
                        "unit": item.unit,
                        **({"values": item.enumeration.name} if item.enumeration else {}),
                    }
                    for item in message.fields
                ],
            }
            for message in layouts()
        },
        "values": {
            item.name: {"flags": item.is_flags, "names": dict(item.values)}
            for item in enumerations()
        },
    }


def layout_hash() -> bytes:
    """First 8 bytes of the SHA-256 of the snapshot as compact JSON with sorted keys."""
    text = json.dumps(snapshot(), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).digest()[:8]
