"""Frozen records to JSON's values and back, exactly; not-a-number and infinity as texts.

Python writes a float's shortest exact decimal, so every figure comes back to
the last bit.
"""

from __future__ import annotations

import dataclasses
import math
import types
from collections.abc import Mapping
from enum import Enum
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

Kept = TypeVar("Kept")


def to_values(value: Any) -> Any:
    """Records and mappings as objects, tuples as arrays, enumerations by value."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            item.name: to_values(getattr(value, item.name)) for item in dataclasses.fields(value)
        }
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, (tuple, list)):
        return [to_values(item) for item in value]
    if isinstance(value, Mapping):
        return {key: to_values(item) for key, item in value.items()}
    if isinstance(value, float) and not math.isfinite(value):
        return repr(value)
    return value


def from_values(kind: type[Kept], values: Any) -> Kept:
    """The record again.  Raises ValueError, TypeError or KeyError for values of another form."""
    return _read(kind, values)  # type: ignore[no-any-return]


def _read(kind: Any, values: Any) -> Any:
    origin, parts = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        (inner,) = (part for part in parts if part is not type(None))
        return None if values is None else _read(inner, values)
    if origin is tuple:
        each = parts[:1] * len(values) if parts[1:] == (Ellipsis,) else parts
        return tuple(_read(part, item) for part, item in zip(each, values, strict=True))
    if origin is Mapping:
        return {str(key): _read(parts[1], item) for key, item in values.items()}
    if dataclasses.is_dataclass(kind):
        return _read_record(kind, values)
    if kind in (float, int, str) and isinstance(values, bool):
        raise TypeError(f"{values!r} is not of type {kind.__name__}")
    return kind(values)


def _read_record(kind: Any, values: Any) -> Any:
    hints = get_type_hints(kind)
    known = [item.name for item in dataclasses.fields(kind) if item.name in values]
    return kind(**{name: _read(hints[name], values[name]) for name in known})
