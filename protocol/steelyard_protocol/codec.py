"""Records to bytes and back, by struct formats derived from the definition.

construct stays the reference: tests hold this codec against it, vector by
vector.  Why not parse with construct itself: it takes 10 to 20 microseconds a
message, this takes one.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from struct import Struct
from struct import error as struct_error
from typing import Any, Final, NamedTuple, cast

from . import records
from .frame import FrameError, decode_frame, encode_frame
from .layout import FieldLayout, MessageLayout, layouts
from .records import Record


class UnknownMessage(NamedTuple):
    """A sound frame whose id this version does not know: skip it, keep it, count it."""

    message_id: int
    body: bytes


class MessageValueError(ValueError):
    """A record that cannot be encoded; names message, field, value and range."""


class _MessageCodec:
    def __init__(self, layout: MessageLayout) -> None:
        self.layout = layout
        self.struct = Struct(layout.struct_format)
        self.record_type: Any = getattr(records, layout.class_name)
        self.make: Callable[[bytes], Record]
        if any(item.is_array for item in layout.fields):
            self.make = self._make_with_arrays
        else:
            # As `_make`, without its own count of the fields: struct has counted them.
            make, unpack = partial(tuple.__new__, self.record_type), self.struct.unpack
            self.make = lambda body: cast("Record", make(unpack(body)))

    def _make_with_arrays(self, body: bytes) -> Record:
        flat = iter(self.struct.unpack(body))
        values = [
            tuple(next(flat) for _ in range(item.count)) if item.is_array else next(flat)
            for item in self.layout.fields
        ]
        return cast("Record", self.record_type._make(values))

    def flatten(self, record: Record) -> list[Any]:
        flat: list[Any] = []
        for item, value in zip(self.layout.fields, record, strict=True):
            _check(self.layout.name, item, value)
            if item.is_array:
                flat.extend(cast("tuple[int, ...]", value))
            else:
                flat.append(value)
        return flat


def _check(message: str, item: FieldLayout, value: Any) -> None:
    where = f"{message}.{item.name}"
    if item.is_bytes or item.is_array:
        if len(value) != item.count:
            raise MessageValueError(f"{where} has {len(value)} elements; it takes {item.count}")
        if item.is_bytes:
            return
    for number in value if item.is_array else (value,):
        if not item.low <= number <= item.high:
            raise MessageValueError(f"{where} = {number}; the range is {item.low} to {item.high}")


_BY_ID: Final = {item.message_id: _MessageCodec(item) for item in layouts()}
_BY_TYPE: Final = {codec.record_type: codec for codec in _BY_ID.values()}
_BODY_DECODERS: Final = {
    message_id: (codec.layout.size, codec.make) for message_id, codec in _BY_ID.items()
}


def message_id(record: Record | UnknownMessage) -> int:
    """The id a record carries on the wire."""
    if isinstance(record, UnknownMessage):
        return record.message_id
    return _BY_TYPE[type(record)].layout.message_id


def encode_payload(record: Record) -> bytes:
    """Id + body of a record.

    Raises:
        MessageValueError: a value outside the field's range.
    """
    codec = _BY_TYPE[type(record)]
    try:
        body = codec.struct.pack(*codec.flatten(record))
    except (struct_error, TypeError) as error:
        raise MessageValueError(f"{codec.layout.name}: {error}") from error
    return bytes((codec.layout.message_id,)) + body


def decode_payload(payload: bytes) -> Record | UnknownMessage:
    """The record in one id + body.

    Raises:
        FrameError: the body of a known message has the wrong length.
    """
    known = _BODY_DECODERS.get(payload[0])
    if known is None:
        return UnknownMessage(payload[0], payload[1:])
    size, make = known
    if len(payload) != size:
        raise FrameError("wrong length")
    return make(payload[1:])


def encode(record: Record) -> bytes:
    """A record as bytes for the wire: framed and padded to whole slots.

    Raises:
        MessageValueError: a value outside the field's range.
    """
    return encode_frame(encode_payload(record))


def decode(encoded: bytes) -> Record | UnknownMessage:
    """The record in the bytes between two delimiters.

    Raises:
        FrameError: not a sound frame, or a known message of the wrong length.
    """
    return decode_payload(decode_frame(encoded))


def padded_text(text: str, length: int) -> bytes:
    """ASCII text as a fixed-bytes field, zero padded.

    Raises:
        MessageValueError: not ASCII, or too long.
    """
    try:
        data = text.encode("ascii")
    except UnicodeEncodeError as error:
        raise MessageValueError(f"{text!r} is not plain ASCII text") from error
    if len(data) > length:
        raise MessageValueError(f"{text!r} has {len(data)} letters; the field takes {length}")
    return data.ljust(length, b"\x00")


def plain_text(data: bytes) -> str:
    """A zero-padded text field as text; bytes that are not ASCII show as escapes."""
    return data.rstrip(b"\x00").decode("ascii", "backslashreplace")
