"""records.py: one typed tuple for each message, one enumeration for each set of values."""

from __future__ import annotations

from textwrap import wrap

from ..layout import EnumerationLayout, FieldLayout, MessageLayout, enumerations, layouts

_HEAD = '''"""Messages as typed records.

GENERATED from messages.py by tools/generate.py: do not edit.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag
from typing import NamedTuple
'''


def _enumeration(item: EnumerationLayout) -> str:
    base = "IntFlag" if item.is_flags else "IntEnum"
    width = 4 if item.is_flags else 0
    lines = [f"class {item.name}({base}):", f'    """Values of `{item.name}` fields."""', ""]
    for name, value in item.values:
        number = f"0x{value:0{width}X}" if item.is_flags else str(value)
        lines.append(f"    {name.upper()} = {number}")
    return "\n".join(lines)


def _annotation(item: FieldLayout) -> str:
    if item.is_bytes:
        return "bytes"
    return "tuple[int, ...]" if item.is_array else "int"


def _describe(item: FieldLayout) -> str:
    unit = f" [{item.unit}]" if item.unit else ""
    values = f" ({item.enumeration.name})" if item.enumeration else ""
    text = f'"""{item.meaning[0].upper()}{item.meaning[1:]}{values}{unit}."""'
    return "    " + "\n".join(wrap(text, 96, subsequent_indent="    "))


def _record(message: MessageLayout) -> str:
    meaning = "\n".join(wrap(f'"""{message.meaning}', 96, subsequent_indent="    "))
    end = '"""' if "\n" not in meaning else '\n    """'
    lines = [f"class {message.class_name}(NamedTuple):", f"    {meaning}{end}", ""]
    for item in message.fields:
        lines.append(f"    {item.name}: {_annotation(item)}")
        lines.append(_describe(item))
    return "\n".join(lines)


def render() -> str:
    """The text of records.py."""
    parts = [_HEAD]
    parts += [_enumeration(item) for item in enumerations()]
    parts += [_record(message) for message in layouts()]
    names = [message.class_name for message in layouts()]
    parts.append("Record = (\n    " + "\n    | ".join(names) + "\n)")
    return "\n\n\n".join(part.rstrip("\n") for part in parts) + "\n"
