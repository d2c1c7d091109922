"""What the bulk decoder found: numpy columns, message by message, in file order."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise, repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .columns import empty_columns
from .decoder import CorruptFrame
from .layout import layouts

I64 = NDArray[np.int64]


@dataclass
class Table:
    """Every sound frame of one message, in file order.

    ``columns``: field name to an array with one row for each frame, in native
    byte order (fixed bytes as ``S<n>``, arrays 2-D).  ``offsets``: int64, position
    in the stream of each frame's first byte.
    """

    columns: dict[str, NDArray[Any]]
    offsets: I64

    def __len__(self) -> int:
        return len(self.offsets)


@dataclass
class Batch:
    """What one piece of the stream held."""

    pieces: dict[str, list[Table]] = field(default_factory=dict)
    """message name to its tables, one after the other in file order; only messages that occur"""
    unknown: list[tuple[int, int]] = field(default_factory=list)
    """offset and message id of each sound frame with an id this version does not know"""
    corrupt: list[CorruptFrame] = field(default_factory=list)

    @cached_property
    def tables(self) -> dict[str, Table]:
        """Message name to its table; only messages that occur.

        Why `pieces` as well: joining them is one more copy, which whoever keeps
        the rows elsewhere has no need of.
        """
        return {name: _joined(parts) for name, parts in self.pieces.items()}

    @property
    def frame_count(self) -> int:
        """Sound frames, unknown ones included."""
        found = sum(len(table) for parts in self.pieces.values() for table in parts)
        return found + len(self.unknown)


@dataclass
class Part:
    """What one piece of work found."""

    tables: list[tuple[str, Table]] = field(default_factory=list)
    unknown: list[tuple[int, int]] = field(default_factory=list)
    corrupt: list[CorruptFrame] = field(default_factory=list)

    def refuse(self, which: I64, offsets: I64, lengths: I64 | int, reason: str) -> None:
        """Note frames that are corrupt, by their index."""
        found = offsets[which].tolist()
        sizes = repeat(lengths) if isinstance(lengths, int) else lengths[which].tolist()
        self.corrupt += map(CorruptFrame, found, sizes, repeat(reason))


def batch_of(parts: list[Part]) -> Batch:
    """Put what the pieces of work found into file order."""
    by_name: dict[str, list[Table]] = {}
    for part in parts:
        for name, table in part.tables:
            by_name.setdefault(name, []).append(table)
    pieces = {
        message.name: _ordered(by_name[message.name])
        for message in layouts()
        if message.name in by_name
    }
    return Batch(
        pieces,
        sorted(item for part in parts for item in part.unknown),
        sorted(item for part in parts for item in part.corrupt),
    )


def _ordered(parts: list[Table]) -> list[Table]:
    """The same rows, in file order from table to table."""
    follow = all(
        before.offsets[-1] < after.offsets[0] for before, after in pairwise(parts)
    ) and all(_in_order(part.offsets) for part in parts)
    return parts if follow else [_joined(parts)]


def _joined(parts: list[Table]) -> Table:
    if len(parts) == 1 and _in_order(parts[0].offsets):
        return parts[0]
    offsets = np.concatenate([part.offsets for part in parts])
    columns = {
        name: np.concatenate([part.columns[name] for part in parts]) for name in parts[0].columns
    }
    if not _in_order(offsets):
        order = np.argsort(offsets, kind="stable")
        offsets = offsets[order]
        columns = {name: values[order] for name, values in columns.items()}
    return Table(columns, offsets)


def _in_order(offsets: I64) -> bool:
    return bool((offsets[1:] > offsets[:-1]).all())


def join_tables(name: str, parts: list[Table]) -> Table:
    """One table from the tables of one message in successive batches (none: an empty table)."""
    if parts:
        return _joined(parts)
    message = next(item for item in layouts() if item.name == name)
    return Table(empty_columns(message), np.empty(0, np.int64))
