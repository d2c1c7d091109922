"""Collects the samples of a recording by message and channel, batch by batch.

Each batch is copied to its place while it is still in the processor's cache, and
its own memory is free for the next one: keeping the batches and joining them at
the end would take twice the memory and nearly twice the time.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol.bulk import Batch, Table

from steelyard.recording.contents import SAMPLE_TABLES
from steelyard.recording.envelope import run_starts
from steelyard.recording.rows import channel_rows, channels_of

_LEFT_OUT = ("channel", "boot_id")
_WASTE_LIMIT = 1.25
"""Room that may stay unused; what was never written to takes no memory on most systems."""


class GrowingTable:
    """A table to which rows are added; it takes in all columns but channel and boot id.

    Boots come in long runs, so where each begins stands for a whole column.
    """

    def __init__(self) -> None:
        self.boot_runs: list[tuple[int, int]] = []
        """First row of each run, and its boot id."""
        self._columns: dict[str, NDArray[Any]] = {}
        self._count = 0
        self._room = 0

    def add(self, table: Table, growth: float) -> None:
        """Append rows; if there is no room for them, make some for ``growth`` times as many."""
        rows = {name: values for name, values in table.columns.items() if name not in _LEFT_OUT}
        rows["offsets"] = table.offsets
        end = self._count + len(table)
        if end > self._room:
            self._make_room(rows, int(end * max(growth, 1.0)))
        for name, values in rows.items():
            self._columns[name][self._count : end] = values
        boots = table.columns["boot_id"]
        for start in run_starts(boots).tolist():
            if not self.boot_runs or self.boot_runs[-1][1] != boots[start]:
                self.boot_runs.append((self._count + start, int(boots[start])))
        self._count = end

    def columns(self) -> dict[str, NDArray[Any]]:
        """Every column, ``offsets`` among them, each of shape (n,)."""
        trimmed = {name: values[: self._count] for name, values in self._columns.items()}
        if self._room > _WASTE_LIMIT * self._count:
            return {name: values.copy() for name, values in trimmed.items()}
        return trimmed

    def _make_room(self, rows: dict[str, NDArray[Any]], room: int) -> None:
        for name, values in rows.items():
            grown = np.empty(room, values.dtype)
            if self._count:
                grown[: self._count] = self._columns[name][: self._count]
            self._columns[name] = grown
        self._room = room


class SampleColumns:
    """The samples of every channel so far."""

    def __init__(self) -> None:
        self._tables: dict[tuple[str, int], GrowingTable] = {}
        self._first_offsets: dict[int, int] = {}
        self._part_before = 0.0

    def add(self, batch: Batch, part_of_all: float) -> None:
        """Take in one batch; with it, this part of the recording (0 to 1) has been read."""
        for name in SAMPLE_TABLES:
            tables = batch.pieces.get(name, [])
            left = sum(map(len, tables))
            step = (part_of_all - self._part_before) / max(1, left)
            for table in tables:
                left -= len(table)
                self._note_boots(table)
                growth = min(1.02 / max(part_of_all - step * left, 1e-9), 64.0)
                for channel in channels_of(table):
                    own = self._tables.setdefault((name, channel), GrowingTable())
                    own.add(channel_rows(table, channel), growth)
        self._part_before = part_of_all

    def take(self, name: str) -> Iterator[tuple[int, GrowingTable]]:
        """Give away the table of each channel of a message."""
        for key in sorted(key for key in self._tables if key[0] == name):
            yield key[1], self._tables.pop(key)

    def boots_in_order(self, status: Table) -> tuple[int, ...]:
        """Boot ids of samples and status frames in order of appearance."""
        self._note_boots(status)
        return tuple(sorted(self._first_offsets, key=lambda boot: self._first_offsets[boot]))

    def _note_boots(self, table: Table) -> None:
        first = self._first_offsets
        # Boots come in runs: the places where one begins are few, and cheaper to find
        # than the distinct values are.
        boots = table.columns["boot_id"]
        for index in run_starts(boots).tolist():
            boot_id, offset = int(boots[index]), int(table.offsets[index])
            first[boot_id] = min(offset, first.get(boot_id, offset))
