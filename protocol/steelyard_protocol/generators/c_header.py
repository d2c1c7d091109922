"""protocol/languages/steelyard_protocol.h: the whole protocol for C, in one header."""

from __future__ import annotations

from .. import messages
from ..frame import ENCODED_FRAME_LIMIT
from ..layout import (
    CRC_BYTES,
    EnumerationLayout,
    FieldLayout,
    MessageLayout,
    enumerations,
    layout_hash,
    layouts,
)
from .c_runtime import DECODER, HEAD, TAIL, TRACKER, WIRE

_TYPES = {
    "B": "uint8_t",
    "H": "uint16_t",
    "I": "uint32_t",
    "Q": "uint64_t",
    "h": "int16_t",
    "i": "int32_t",
    "s": "uint8_t",
}
_WIDTHS = {"B": 1, "H": 2, "I": 4, "Q": 8, "h": 2, "i": 4}
_FULL_RANGES = {"B": 0xFF, "H": 0xFFFF, "I": 0xFFFFFFFF}


def _upper(name: str) -> str:
    return "".join(f"_{c}" if c.isupper() and i else c for i, c in enumerate(name)).upper()


def _constants() -> str:
    first_bytes = ", ".join(f"0x{byte:02X}" for byte in layout_hash())
    values = [
        ("PROTOCOL_MAJOR", str(messages.PROTOCOL_MAJOR)),
        ("PROTOCOL_MINOR", str(messages.PROTOCOL_MINOR)),
        ("LAYOUT_HASH_BYTES", f"{{{first_bytes}}}"),
        ("SLOT_BYTES", str(messages.SLOT_BYTES)),
        ("CRC_BYTES", str(CRC_BYTES)),
        ("ENCODED_FRAME_LIMIT", str(ENCODED_FRAME_LIMIT)),
        ("FRAME_LIMIT", str(-(-(ENCODED_FRAME_LIMIT + 1) // 32) * 32)),
        ("TICKS_PERIOD_US", f"0x{messages.TICKS_PERIOD_US:X}u"),
        ("SEQUENCE_PERIOD", f"0x{messages.SEQUENCE_PERIOD:X}u"),
        ("NO_COUNTS", "INT32_MIN"),
        ("NO_CHANNEL", str(messages.NO_CHANNEL)),
        ("CHANNEL_LIMIT", str(messages.CHANNEL_LIMIT)),
    ]
    return "\n".join(f"#define STEELYARD_{name} {value}" for name, value in values)


def _ids() -> str:
    lines = [
        f"    STEELYARD_ID_{item.name.upper()} = 0x{item.message_id:02X}," for item in layouts()
    ]
    return "\n".join(["enum {", *lines, "};"])


def _enumeration(item: EnumerationLayout) -> str:
    prefix = f"STEELYARD_{_upper(item.name)}"
    width = "0x{:04X}" if item.is_flags else "{}"
    lines = [f"    {prefix}_{name.upper()} = {width.format(value)}," for name, value in item.values]
    kind = "bits" if item.is_flags else "values"
    return "\n".join([f"/* {kind} of fields of {item.name} */", "enum {", *lines, "};"])


def _struct(message: MessageLayout) -> str:
    lines = [f"struct steelyard_{message.name} {{"]
    for item in message.fields:
        many = f"[{item.count}]" if item.is_bytes or item.is_array else ""
        unit = f" /* {item.unit} */" if item.unit else ""
        lines.append(f"    {_TYPES[item.format]} {item.name}{many};{unit}")
    return "\n".join([*lines, "};"])


def _union() -> str:
    lines = [f"        struct steelyard_{item.name} {item.name};" for item in layouts()]
    return "\n".join(
        [
            "/* Any message; message_id says which member of the union holds it. */",
            "struct steelyard_message {",
            "    uint8_t message_id;",
            "    union {",
            *lines,
            "    } body;",
            "};",
        ]
    )


def _size_function() -> str:
    lines = [f"    case 0x{item.message_id:02X}: return {item.size};" for item in layouts()]
    return "\n".join(
        [
            "/* Bytes of id + body of a message; 0 for an id that this version does not know. */",
            "static inline size_t steelyard_size(uint8_t message_id)",
            "{",
            "    switch (message_id) {",
            *lines,
            "    default: return 0;",
            "    }",
            "}",
        ]
    )


def _name_function() -> str:
    lines = [f'    case 0x{item.message_id:02X}: return "{item.name}";' for item in layouts()]
    return "\n".join(
        [
            "static inline const char *steelyard_name(uint8_t message_id)",
            "{",
            "    switch (message_id) {",
            *lines,
            '    default: return "unknown";',
            "    }",
            "}",
        ]
    )


def _read(item: FieldLayout, target: str, place: str) -> str:
    kind, width = _TYPES[item.format], 8 * _WIDTHS[item.format]
    return f"{target} = ({kind})steelyard_read_u{width}(payload + {place});"


def _write(item: FieldLayout, source: str, place: str) -> str:
    width = 8 * _WIDTHS[item.format]
    return f"steelyard_write_u{width}(payload + {place}, (uint{width}_t){source});"


def _unpack(message: MessageLayout) -> str:
    lines = [
        f"static inline void steelyard_unpack_{message.name}(",
        f"    const uint8_t *payload, struct steelyard_{message.name} *out)",
        "{",
    ]
    for item in message.fields:
        if item.is_bytes:
            lines.append(f"    memcpy(out->{item.name}, payload + {item.offset}, {item.count});")
        elif item.is_array:
            place = f"{item.offset} + {_WIDTHS[item.format]} * i"
            lines.append(f"    for (size_t i = 0; i < {item.count}; i++)")
            lines.append(f"        {_read(item, f'out->{item.name}[i]', place)}")
        else:
            lines.append(f"    {_read(item, f'out->{item.name}', str(item.offset))}")
    return "\n".join([*lines, "}"])


def _out_of_range(item: FieldLayout) -> str:
    """C condition for a value outside its range; empty where the type allows no other."""
    conditions = []
    if item.low > 0:
        conditions.append(f"in->{item.name} < {item.low}u")
    if item.format in _FULL_RANGES and item.high < _FULL_RANGES[item.format]:
        conditions.append(f"in->{item.name} > {item.high}u")
    return " || ".join(conditions)


def _pack(message: MessageLayout) -> str:
    lines = [
        f"static inline size_t steelyard_pack_{message.name}(",
        f"    const struct steelyard_{message.name} *in, uint8_t *payload)",
        "{",
    ]
    for item in message.fields:
        condition = "" if item.is_bytes or item.is_array else _out_of_range(item)
        if condition:
            lines.append(f"    if ({condition}) return 0;")
    lines.append(f"    payload[0] = 0x{message.message_id:02X};")
    for item in message.fields:
        if item.is_bytes:
            lines.append(f"    memcpy(payload + {item.offset}, in->{item.name}, {item.count});")
        elif item.is_array:
            place = f"{item.offset} + {_WIDTHS[item.format]} * i"
            lines.append(f"    for (size_t i = 0; i < {item.count}; i++)")
            lines.append(f"        {_write(item, f'in->{item.name}[i]', place)}")
        else:
            lines.append(f"    {_write(item, f'in->{item.name}', str(item.offset))}")
    return "\n".join([*lines, f"    return {message.size};", "}"])


def _any(direction: str, head: list[str], closing: str) -> str:
    cases = [
        line
        for item in layouts()
        for line in (
            f"    case 0x{item.message_id:02X}:",
            f"        {direction.format(name=item.name)}",
        )
    ]
    return "\n".join([*head, "{", "    switch (message->message_id) {", *cases, closing, "}"])


def _unpack_any() -> str:
    head = [
        "/* Take a payload apart; false for an unknown id or a wrong length. */",
        "static inline bool steelyard_unpack(",
        "    const uint8_t *payload, size_t length, struct steelyard_message *message)",
    ]
    body = "steelyard_unpack_{name}(payload, &message->body.{name}); return true;"
    text = _any(body, head, "    default: return false;\n    }")
    guard = (
        "{\n    if (length == 0 || steelyard_size(payload[0]) != length) return false;\n"
        "    message->message_id = payload[0];\n"
    )
    return text.replace("{\n", guard, 1)


def _pack_any() -> str:
    head = [
        "/* Id + body of a message; payload takes 251 bytes. 0: a value is out of its range. */",
        "static inline size_t steelyard_pack(",
        "    const struct steelyard_message *message, uint8_t *payload)",
    ]
    body = "return steelyard_pack_{name}(&message->body.{name}, payload);"
    return _any(body, head, "    default: return 0;\n    }")


def render() -> str:
    """The text of steelyard_protocol.h."""
    parts = [
        HEAD,
        _constants(),
        _ids(),
        *(_enumeration(item) for item in enumerations()),
        *(_struct(item) for item in layouts()),
        _union(),
        WIRE,
        _size_function(),
        _name_function(),
        *(_unpack(item) for item in layouts()),
        *(_pack(item) for item in layouts()),
        _unpack_any(),
        _pack_any(),
        TRACKER,
        DECODER,
        TAIL,
    ]
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"
