"""The latest samples of one channel as columns, in bounded memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray


class SampleWindow:
    """Keeps at least the last ``capacity`` rows, twice as many at most.

    Why two halves: rows stay in place, so a column is one plain array, and moving
    them costs nothing to speak of.
    """

    def __init__(self, columns: Mapping[str, DTypeLike], capacity: int) -> None:
        self._capacity = capacity
        # Pages that were never written to take no memory on most systems.
        self._columns = {name: np.empty(2 * capacity, kind) for name, kind in columns.items()}
        self._count = 0
        self.dropped_total = 0

    def __len__(self) -> int:
        return self._count

    def add(self, rows: Mapping[str, Sequence[Any] | NDArray[Any]]) -> None:
        """Append rows: every column, all of one length."""
        count = len(next(iter(rows.values())))
        if self._count + count > 2 * self._capacity:
            self._let_go(max(0, self._count - self._capacity))
        end = self._count + count
        for name, values in rows.items():
            self._columns[name][self._count : end] = values
        self._count = end

    def column(self, name: str) -> NDArray[Any]:
        """One column (n); valid until the next ``add``."""
        return self._columns[name][: self._count]

    def latest(self, name: str, count: int) -> NDArray[Any]:
        """The last ``count`` values of a column, fewer where there are fewer."""
        return self._columns[name][max(0, self._count - count) : self._count]

    def _let_go(self, count: int) -> None:
        kept = self._count - count
        for values in self._columns.values():
            values[:kept] = values[count : self._count]
        self._count = kept
        self.dropped_total += count
