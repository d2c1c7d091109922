"""Flat dataclasses from JSON objects: every name known, every value of the stated kind.

A sheet is filled in by people.  A misspelt name would silently leave a rule out, so
unknown names are refused, with the nearest known one.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import types
import typing
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from steelyard.errors import SheetError

Record = TypeVar("Record")


def record_of(kind: type[Record], content: Any, where: str) -> Record:
    """An instance of the dataclass ``kind``; fields that are not stated keep their defaults.

    Raises SheetError naming ``where``, the field, and what is wrong with it.
    """
    fields = {field.name: field for field in dataclasses.fields(kind)}  # type: ignore[arg-type]
    stated = object_of(content, where, fields)
    hints = typing.get_type_hints(kind)
    missing = [
        name
        for name, field in fields.items()
        if name not in stated
        and field.default is dataclasses.MISSING
        and field.default_factory is dataclasses.MISSING
    ]
    if missing:
        raise SheetError(
            f"“{where}” of the session sheet lacks {', '.join(missing)}.",
            "Add it, or leave the whole part out.",
        )
    values = {
        name: value_of(hints[name], value, f"{where}.{name}") for name, value in stated.items()
    }
    return kind(**values)


def object_of(content: Any, where: str, known: Iterable[str]) -> dict[str, Any]:
    """A JSON object whose names are all known.  Raises SheetError otherwise."""
    if not isinstance(content, dict):
        raise SheetError(f"“{where}” of the session sheet is no object: {content!r}.", "Write {}.")
    names = list(known)
    for name in content:
        if name not in names:
            near = difflib.get_close_matches(str(name), names, 1)
            meant = f"Is {near[0]} meant? " if near else ""
            raise SheetError(
                f"“{where}” of the session sheet has no field “{name}”.",
                f"{meant}There are: {', '.join(sorted(names))}.",
            )
    return content


def value_of(hint: Any, value: Any, where: str) -> Any:
    """One value as the annotation of its field wants it.  Raises SheetError otherwise."""
    options = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    if value is None and type(None) in options:
        return None
    wanted = next(option for option in options if option is not type(None))
    if typing.get_origin(wanted) is tuple:
        items = value if isinstance(value, list) else [value]
        return tuple(value_of(float, item, where) for item in items)
    read = _READERS[wanted]
    found = read(value)
    if found is None:
        raise SheetError(
            f"“{where}” of the session sheet is {value!r}, not {_NAMES[wanted]}.",
            "Correct it, or leave it out for the usual value.",
        )
    return found


def _number(value: Any) -> float | None:
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return None
    try:
        found = float(value)
    except OverflowError:  # JSON has whole numbers of any length
        return None
    return found if math.isfinite(found) else None


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _truth(value: Any) -> bool | None:
    return value if isinstance(value, bool) else None


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None


_READERS: dict[type, Callable[[Any], Any]] = {
    float: _number,
    int: _whole,
    bool: _truth,
    str: _text,
}
_NAMES = {float: "a number", int: "a whole number", bool: "true or false", str: "a text"}
