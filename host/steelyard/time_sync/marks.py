"""Time marks: moments that were read on both clocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Int64Array = npt.NDArray[np.int64]


class ClockMark(NamedTuple):
    """One moment on both clocks."""

    boot_id: int
    device_us: int
    """Device time, unwrapped [us]."""
    host_monotonic_ns: int
    host_unix_ns: int
    round_trip_us: int


@dataclass(frozen=True)
class MarkColumns:
    """Time marks as columns of shape (n,): thirty thousand of them are one thing, not thirty
    thousand."""

    boot_ids: npt.NDArray[Any]
    device_us: Int64Array
    host_monotonic_ns: Int64Array
    host_unix_ns: Int64Array
    round_trip_us: Int64Array

    def __len__(self) -> int:
        return len(self.device_us)

    def __getitem__(self, rows: slice) -> MarkColumns:
        return MarkColumns(
            self.boot_ids[rows],
            self.device_us[rows],
            self.host_monotonic_ns[rows],
            self.host_unix_ns[rows],
            self.round_trip_us[rows],
        )

    def marks(self) -> list[ClockMark]:
        """One by one."""
        columns = (
            self.boot_ids,
            self.device_us,
            self.host_monotonic_ns,
            self.host_unix_ns,
            self.round_trip_us,
        )
        return list(map(ClockMark, *(column.tolist() for column in columns)))

    @classmethod
    def of(cls, marks: Sequence[ClockMark]) -> MarkColumns:
        """Columns of these marks."""

        def column(name: str) -> Int64Array:
            return np.array([getattr(mark, name) for mark in marks], np.int64)

        return cls(
            column("boot_id"),
            column("device_us"),
            column("host_monotonic_ns"),
            column("host_unix_ns"),
            column("round_trip_us"),
        )
