"""protocol/languages: the decoder as a JavaScript module, and its types for TypeScript."""

from __future__ import annotations

import json

from .. import messages
from ..frame import ENCODED_FRAME_LIMIT
from ..layout import FieldLayout, MessageLayout, enumerations, layout_hash, layouts
from .javascript_runtime import RUNTIME, TYPES_HEAD, TYPES_TAIL


def _constants() -> dict[str, object]:
    return {
        "PROTOCOL_MAJOR": messages.PROTOCOL_MAJOR,
        "PROTOCOL_MINOR": messages.PROTOCOL_MINOR,
        "LAYOUT_HASH": layout_hash().hex(),
        "SLOT_BYTES": messages.SLOT_BYTES,
        "ENCODED_FRAME_LIMIT": ENCODED_FRAME_LIMIT,
        "TICKS_PERIOD_US": messages.TICKS_PERIOD_US,
        "SEQUENCE_PERIOD": messages.SEQUENCE_PERIOD,
        "NO_COUNTS": messages.NO_COUNTS,
        "NO_CHANNEL": messages.NO_CHANNEL,
    }


def _type_name(item: FieldLayout) -> str:
    return "bytes" if item.is_bytes else item.type_name.partition("[")[0]


def _limit(item: FieldLayout, value: int) -> str:
    return f"{value}n" if item.format == "Q" else str(value)


def _field(item: FieldLayout) -> str:
    count = item.count if item.is_bytes or item.is_array else 0
    parts = [
        f'name: "{item.name}"',
        f"offset: {item.offset}",
        f'type: "{_type_name(item)}"',
        f"count: {count}",
        f"low: {_limit(item, item.low)}",
        f"high: {_limit(item, item.high)}",
        f"unit: {json.dumps(item.unit, ensure_ascii=False)}",
    ]
    return f"    {{ {', '.join(parts)} }},"


def _message(item: MessageLayout) -> str:
    head = f'  {{ id: 0x{item.message_id:02x}, name: "{item.name}", size: {item.size}, fields: ['
    return "\n".join([head, *(_field(field) for field in item.fields), "  ] },"])


def _enumerations() -> list[str]:
    lines = []
    for item in enumerations():
        lines.append(f"export const {item.name} = Object.freeze({{")
        form = "0x{:04x}" if item.is_flags else "{}"
        lines += [f"  {name.upper()}: {form.format(value)}," for name, value in item.values]
        lines.append("});")
    return lines


def render_module() -> str:
    """The text of steelyard_protocol.mjs."""
    head = (
        "// Steelyard wire protocol for browsers, Node and the like: no dependencies.\n"
        "// GENERATED from messages.py by tools/generate.py: do not edit.\n"
    )
    constants = [
        f"export const {name} = {json.dumps(value)};" for name, value in _constants().items()
    ]
    table = ["export const MESSAGES = Object.freeze([", *map(_message, layouts()), "]);"]
    parts = [head, "\n".join(constants), "\n".join(_enumerations()), "\n".join(table), RUNTIME]
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


def _typescript(item: FieldLayout) -> str:
    if item.is_bytes:
        return "Uint8Array"
    scalar = "bigint" if item.format == "Q" else "number"
    return f"{scalar}[]" if item.is_array else scalar


def _interface(message: MessageLayout) -> str:
    lines = [f"/** {message.meaning} */", f"export interface {message.class_name} {{"]
    for item in message.fields:
        unit = f" [{item.unit}]" if item.unit else ""
        values = f" ({item.enumeration.name})" if item.enumeration else ""
        lines.append(f"  /** {item.meaning}{values}{unit} */")
        lines.append(f"  {item.name}: {_typescript(item)};")
    return "\n".join([*lines, "}"])


def _enumeration_types() -> str:
    return "\n".join(
        f"export declare const {item.name}: Readonly<{{ "
        + "; ".join(f"{name.upper()}: {value}" for name, value in item.values)
        + " }>;"
        for item in enumerations()
    )


def render_types() -> str:
    """The text of steelyard_protocol.d.mts."""
    constants = "\n".join(
        f"export declare const {name}: {'string' if isinstance(value, str) else 'number'};"
        for name, value in _constants().items()
    )
    fields = ["/** Fields of each message by its name. */", "export interface FieldsByName {"]
    fields += [f"  {item.name}: {item.class_name};" for item in layouts()]
    parts = [
        TYPES_HEAD,
        constants,
        _enumeration_types(),
        *(_interface(item) for item in layouts()),
        "\n".join([*fields, "}"]),
        TYPES_TAIL,
    ]
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"
