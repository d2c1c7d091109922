"""Names of flags and other numbers of the protocol, as JSON gives them."""

from __future__ import annotations

from enum import IntEnum
from functools import lru_cache

from steelyard_protocol.records import SampleFlags


@lru_cache(maxsize=4096)
def flag_words(flags: int) -> tuple[str, ...]:
    """Names of the bits that are set; bits without a name as hexadecimal."""
    known = [flag for flag in SampleFlags if flags & flag]
    rest = flags & ~sum(known)
    named = tuple(str(flag.name).lower() for flag in known)
    return (*named, f"0x{rest:04x}") if rest else named


@lru_cache(maxsize=4096)
def flags_json(flags: int) -> str:
    """The same as a JSON array."""
    return "[" + ",".join(f'"{word}"' for word in flag_words(flags)) + "]"


def word_of(names: type[IntEnum], value: int) -> str:
    """A value's name, or its number when this version has no name for it."""
    try:
        return names(value).name.lower()
    except ValueError:
        return str(value)
