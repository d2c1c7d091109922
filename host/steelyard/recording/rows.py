"""Rows of a decoded table: as typed records, or those of one channel."""

from __future__ import annotations

from enum import IntEnum
from typing import Any, TypeVar, cast

import numpy as np
from steelyard_protocol import records
from steelyard_protocol.bulk import Table
from steelyard_protocol.layout import layouts

RowT = TypeVar("RowT", bound=tuple[Any, ...])

_NAMES = {getattr(records, layout.class_name): layout.name for layout in layouts()}
_BYTES = {
    layout.name: {item.name: item.size for item in layout.fields if item.is_bytes}
    for layout in layouts()
}


def table_name(record_type: type[RowT]) -> str:
    """Name of the table that holds records of this type."""
    return _NAMES[record_type]


def rows(table: Table, record_type: type[RowT]) -> list[RowT]:
    """Every row as a record, in file order."""
    padded = _BYTES[table_name(record_type)]
    columns = [_plain(values.tolist(), padded.get(name)) for name, values in table.columns.items()]
    make = cast("Any", record_type)._make
    return [make(values) for values in zip(*columns, strict=True)]


def _plain(values: list[Any], size: int | None) -> list[Any]:
    """Python values of one column; numpy strips the zeros that fixed bytes end with."""
    if size is not None:
        return [value.ljust(size, b"\x00") for value in values]
    if values and isinstance(values[0], list):
        return [tuple(value) for value in values]
    return values


def channels_of(table: Table) -> list[int]:
    """Channels that occur in a table of samples."""
    channels = table.columns["channel"]
    if len(channels) and (channels == channels[0]).all():
        return [int(channels[0])]
    present: list[int] = np.flatnonzero(np.bincount(table.columns["channel"], minlength=1)).tolist()
    return present


def channel_rows(table: Table, channel: int) -> Table:
    """The rows of one channel; the table itself when it holds no other."""
    if (table.columns["channel"] == channel).all():
        return table
    chosen = np.flatnonzero(table.columns["channel"] == channel)
    columns = {name: values[chosen] for name, values in table.columns.items()}
    return Table(columns, table.offsets[chosen])


def name_of(names: type[IntEnum], value: int) -> str:
    """Name of an enumeration's value in lower case; ``kind_9`` for one not known here."""
    try:
        return names(value).name.lower()
    except ValueError:
        return f"kind_{value}"
