"""Records of settings as JSON and back, exactly; what does not fit is refused by name.

JSON writes a float with the shortest digits that give the same float again, so
nothing is rounded.
"""

from __future__ import annotations

import dataclasses
import math
import sys
import types
import typing
from typing import Any, TypeVar

from steelyard.errors import EntryError

Record = TypeVar("Record")


def to_plain(value: Any) -> Any:
    """Objects, lists, numbers, texts and null; refuses a number that is not finite."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        return {item.name: _named(item.name, getattr(value, item.name)) for item in fields}
    if isinstance(value, (tuple, list)):
        return [to_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        raise EntryError("A number is not finite.", "Check what was entered.")
    return value


def _named(name: str, value: Any) -> Any:
    try:
        return to_plain(value)
    except EntryError as error:
        raise EntryError(f"{name}: {error.what}", error.advice) from error


def from_plain(kind: type[Record], content: Any, where: str = "") -> Record:
    """Make a record again; what is missing takes its default.

    Raises EntryError for what the record does not have, or another type.
    """
    if not isinstance(content, dict):
        raise _misfit(where or kind.__name__, content)
    hints = typing.get_type_hints(kind)
    unknown = sorted(set(content) - set(hints))
    if unknown:
        raise EntryError(
            f"{kind.__name__} has no {', '.join(map(str, unknown))}.",
            f"There are: {', '.join(hints)}.",
        )
    found = {name: _value(hints[name], item, name) for name, item in content.items()}
    try:
        return kind(**found)
    except TypeError as error:
        raise EntryError(f"{kind.__name__} is incomplete: {error}.", "Enter it whole.") from error


def _value(hint: Any, value: Any, where: str) -> Any:
    kind, parts = typing.get_origin(hint), typing.get_args(hint)
    if kind in (typing.Union, types.UnionType):
        if value is None:
            return None
        return _value(next(part for part in parts if part is not type(None)), value, where)
    if kind is tuple:
        return _tuple(parts, value, where)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return from_plain(hint, value, where)
    return _simple(hint, value, where)


def _tuple(parts: tuple[Any, ...], value: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(value, (list, tuple)):
        raise _misfit(where, value)
    if parts[-1] is Ellipsis:
        return tuple(_value(parts[0], item, where) for item in value)
    if len(parts) != len(value):
        raise _misfit(where, value)
    return tuple(_value(part, item, where) for part, item in zip(parts, value, strict=True))


def _simple(hint: Any, value: Any, where: str) -> Any:
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if hint is float and number and abs(value) <= sys.float_info.max:  # nor is nan
        return float(value)
    if hint is int and number and isinstance(value, int):
        return value
    if hint in (str, bool) and isinstance(value, hint):
        return value
    raise _misfit(where, value)


def _misfit(where: str, value: Any) -> EntryError:
    return EntryError(f"{where} cannot be {str(value)[:60]!r}.", "Check what was entered.")
