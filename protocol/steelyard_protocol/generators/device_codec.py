"""firmware/box/wire.py: the device's side of the definition, in plain MicroPython."""

from __future__ import annotations

from .. import messages
from ..layout import SAMPLE_BYTES, MessageLayout, enumerations, layout_hash, layouts
from ..messages import Origin

_HEAD = '''"""Device codec.  GENERATED from messages.py by tools/generate.py: do not edit.

pack_* write id + body into the caller's buffer and return the byte count;
struct.pack_into would wrap a number that does not fit without a word, so every
range is checked first.  unpack_* read a request's fields.  *_FORMAT: what the
sampling path packs by itself, its numbers bounded by what made them.
"""

from struct import calcsize, pack_into, unpack_from
'''

_CHECKED_PACK = """def _refuse(what, value, low, high):
    raise ValueError("%s = %d; the range is %d to %d" % (what, value, low, high))


def _pack(message, buffer, offset, values):
    # message: struct format, id, then for each field its name, element count
    # (0: a plain number), lowest and highest value
    flat = []
    for index, value in enumerate(values):
        name, count, low, high = message[2 + index]
        if count and len(value) != count:
            _refuse("len(%s)" % name, len(value), count, count)
        if count and not isinstance(value, (bytes, bytearray)):
            if min(value) < low or max(value) > high:
                _refuse(name, min(value) if min(value) < low else max(value), low, high)
            flat.extend(value)
        else:
            if not count and not low <= value <= high:
                _refuse(name, value, low, high)
            flat.append(value)
    pack_into(message[0], buffer, offset, message[1], *flat)
    return calcsize(message[0])"""

_WIDTH = 100


def _wrap(opening: str, items: list[str], separator: str, closing: str, indent: int) -> str:
    """Items in as few lines as fit, each continuation line indented."""
    lines, line = [], " " * indent + opening
    for index, item in enumerate(items):
        piece = item + (closing if index == len(items) - 1 else separator)
        if len(line) + len(piece) > _WIDTH:
            lines.append(line.rstrip())
            line = " " * (indent + 4)
        line += piece
    return "\n".join([*lines, line])


def _upper_snake(name: str) -> str:
    return "".join(f"_{c}" if c.isupper() and i else c for i, c in enumerate(name)).upper()


def _constants() -> str:
    lines = [
        f"PROTOCOL_MAJOR = {messages.PROTOCOL_MAJOR}",
        f"PROTOCOL_MINOR = {messages.PROTOCOL_MINOR}",
        f"LAYOUT_HASH = bytes.fromhex({layout_hash().hex()!r})".replace("'", '"'),
        f"SLOT_BYTES = {messages.SLOT_BYTES}",
        f"TICKS_PERIOD_US = 0x{messages.TICKS_PERIOD_US:X}",
        f"SEQUENCE_MASK = 0x{messages.SEQUENCE_PERIOD - 1:X}",
        f"NO_COUNTS = {messages.NO_COUNTS}",
        f"NO_CHANNEL = {messages.NO_CHANNEL}",
        f"ANGLE_AGE_LIMIT_US = {messages.ANGLE_AGE_LIMIT_US}",
        f"CHANNEL_LIMIT = {messages.CHANNEL_LIMIT}",
        f"DOCUMENT_PIECE_BYTES = {messages.DOCUMENT_PIECE_BYTES}",
        f"FLAG_COUNT = {messages.FLAG_COUNT}",
    ]
    used = {
        field.enumeration.name
        for m in _device_messages()
        for field in m.fields
        if field.enumeration
    }
    for item in enumerations():
        if item.name in used:
            prefix = _upper_snake(item.name)
            lines += [f"{prefix}_{name.upper()} = {value}" for name, value in item.values]
    for message in _device_messages():
        lines.append(f"ID_{message.name.upper()} = 0x{message.message_id:02X}")
    for message in _device_messages():
        if message.origin is Origin.DEVICE:
            lines.append(f"{message.name.upper()}_BYTES = {message.size}")
        if message.size == SAMPLE_BYTES:
            lines.append(f"{message.name.upper()}_FORMAT = {_format(message)}")
    sizes = [
        f"0x{m.message_id:02X}: {m.size}" for m in _device_messages() if m.origin is Origin.REQUEST
    ]
    lines.append(_wrap("REQUEST_BYTES = {", sizes, ", ", "}", 0))
    return "\n".join(lines)


def _device_messages() -> list[MessageLayout]:
    return [message for message in layouts() if message.origin is not Origin.RECORDING]


def _pack(message: MessageLayout) -> str:
    names = [item.name for item in message.fields]
    lines = [
        _wrap(f"def pack_{message.name}(", ["buffer", "offset", *names], ", ", "):", 0),
        _wrap(f"return _pack({_table(message)}, buffer, offset, (", names, ", ", "))", 4),
    ]
    return "\n".join(lines)


def _id(message: MessageLayout) -> str:
    return f"0x{message.message_id:02X}"


def _table(message: MessageLayout) -> str:
    return f"_{message.name.upper()}"


def _format(message: MessageLayout) -> str:
    return f'"<B{message.struct_format[1:]}"'


def _limits(message: MessageLayout) -> str:
    rows = [_format(message), _id(message)]
    for item in message.fields:
        count = item.count if item.is_bytes or item.is_array else 0
        rows.append(f'("{item.name}", {count}, {item.low}, {item.high})')
    return _wrap(f"{_table(message)} = (", rows, ", ", ")", 0)


def _unpack(message: MessageLayout) -> str:
    names = ", ".join(item.name for item in message.fields)
    return (
        f"def unpack_{message.name}(buffer, offset):\n"
        f"    # {names}\n"
        f'    return unpack_from("{message.struct_format}", buffer, offset + 1)'
    )


def render() -> str:
    """The text of wire.py."""
    device = [message for message in layouts() if message.origin is Origin.DEVICE]
    requests = [message for message in layouts() if message.origin is Origin.REQUEST]
    parts = [
        _HEAD + "\n" + _constants() + "\n\n" + "\n".join(_limits(item) for item in device),
        _CHECKED_PACK,
        *(_pack(item) for item in device),
        *(_unpack(item) for item in requests),
    ]
    return "\n\n\n".join(parts) + "\n"
