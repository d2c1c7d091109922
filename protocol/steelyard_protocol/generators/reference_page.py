"""MESSAGES.md: the reference somebody writes a decoder from."""

from __future__ import annotations

from .. import messages
from ..layout import FieldLayout, MessageLayout, enumerations, layout_hash, layouts
from ..messages import Origin

_TITLES = {
    Origin.DEVICE: "Messages from the box",
    Origin.REQUEST: "Requests to the box",
    Origin.RECORDING: "Frames that only a recording holds",
}


def _range(item: FieldLayout) -> str:
    if item.is_bytes:
        return ""
    if item.enumeration is not None:
        return f"[{item.enumeration.name}](#{item.enumeration.name.lower()})"
    return f"{item.low} … {item.high}"


def _message(message: MessageLayout) -> str:
    lines = [
        f"### `{message.name}` (id 0x{message.message_id:02X})",
        "",
        message.meaning,
        "",
        f"{message.size} bytes with the id, {message.size + 4} with the CRC, "
        f"{message.wire_bytes} on the wire.",
        "",
        "| offset | type | field | unit | meaning | range or values |",
        "|---:|---|---|---|---|---|",
        f"| 0 | u8 | message id | | always 0x{message.message_id:02X} | |",
    ]
    lines += [
        f"| {item.offset} | {item.type_name} | `{item.name}` | {item.unit} | {item.meaning} "
        f"| {_range(item)} |"
        for item in message.fields
    ]
    return "\n".join(lines)


def render() -> str:
    """The text of MESSAGES.md."""
    parts = [
        "# Steelyard messages\n\n"
        "GENERATED from `steelyard_protocol/messages.py` by `tools/generate.py`: do not edit.\n\n"
        f"Protocol {messages.PROTOCOL_MAJOR}.{messages.PROTOCOL_MINOR}, layout hash "
        f"`{layout_hash().hex()}`. Framing, handshake and rules: [OVERVIEW.md](OVERVIEW.md).\n\n"
        "All numbers are little endian. `u32` is an unsigned integer of 32 bits, `i32` a signed "
        "one (two's complement), `u32[8]` eight of them in a row, `bytes[16]` sixteen bytes. "
        "Offsets count from the message id. Text is ASCII filled up with zeros. An enumeration "
        "may gain values and a flags field bits in a later minor version: keep what you do not "
        "know, do not refuse it (OVERVIEW.md, Versions). A number outside its range in a frame "
        "with a right CRC is the sender's mistake, not a corrupt frame: keep the number, and never "
        "let a `length` reach beyond its `text`. Text that is not ASCII (or UTF-8 where that is "
        "said) is shown as well as may be, never a reason to stop. The same tables for a program "
        "to read: "
        f"`snapshots/{messages.PROTOCOL_MAJOR}.{messages.PROTOCOL_MINOR}.json`."
    ]
    for origin, title in _TITLES.items():
        parts.append(f"## {title}")
        parts += [_message(item) for item in layouts() if item.origin is origin]
    parts.append("## Values")
    for enumeration in enumerations():
        kind = "Bits, any number of them set." if enumeration.is_flags else "One of:"
        meanings = messages.VALUE_MEANINGS[enumeration.name]
        rows = "\n".join(
            f"| {f'0x{value:04X}' if enumeration.is_flags else value} | `{name}` "
            f"| {meanings[name]} |"
            for name, value in enumeration.values
        )
        head = f"### {enumeration.name}\n\n{kind}\n\n| value | name | meaning |\n|---:|---|---|"
        parts.append(f"{head}\n{rows}")
    return "\n\n".join(parts) + "\n"
