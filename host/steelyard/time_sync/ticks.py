"""Device ticks, which wrap every 17.9 minutes, made into a time that does not.

A box counts microseconds modulo 2**30 (`TICKS_PERIOD_US`).  Two readings less
than half a period (8.9 minutes) apart give their difference without doubt.
Status frames come at least once a second, so within one boot that is always
so, unless the link was away for longer; then the uptime in the status frames,
which wraps only after 12.4 days, says how many periods went by.

Unwrapped times are integers in microseconds.  They belong to one boot: times of
two boots have nothing to do with each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from steelyard_protocol.messages import TICKS_PERIOD_US

_HALF_PERIOD_US: Final = TICKS_PERIOD_US // 2
UPTIME_PERIOD_MS: Final = 1 << 30

Int64Array = npt.NDArray[np.int64]


def ticks_difference_us(later: int, earlier: int) -> int:
    """Signed difference of two wrapped readings, from -2**29 to 2**29 - 1 us."""
    return (later - earlier + _HALF_PERIOD_US) % TICKS_PERIOD_US - _HALF_PERIOD_US


def ticks_middle_us(earlier: int, later: int) -> int:
    """The wrapped reading half way from ``earlier`` to ``later``."""
    return (earlier + (later - earlier) % TICKS_PERIOD_US // 2) % TICKS_PERIOD_US


@dataclass
class _Boot:
    """What is known of one boot: its latest unwrapped time and its latest uptime."""

    time_us: int
    uptime_ms: int | None = None
    uptime_time_us: int = 0


class TickUnwrapper:
    """Unwraps ticks in the order in which they arrive, for any number of boots.

    The first reading of a boot keeps its value.  Readings may step back a
    little (a queued sample is older than a status frame sent before it).
    """

    def __init__(self) -> None:
        self._boots: dict[int, _Boot] = {}

    def unwrap(self, boot_id: int, ticks_us: int) -> int:
        """Unwrap one reading; returns microseconds."""
        boot = self._boots.get(boot_id)
        if boot is None:
            self._boots[boot_id] = _Boot(ticks_us)
            return ticks_us
        boot.time_us += ticks_difference_us(ticks_us, boot.time_us)
        return boot.time_us

    def anchor(self, boot_id: int, ticks_us: int, uptime_ms: int) -> int:
        """Unwrap the reading of a status frame, by the help of its uptime.

        Counts the whole periods that passed while nothing arrived.  Without
        this, silence of more than 8.9 minutes would lose one of them.
        """
        boot = self._boots.get(boot_id)
        if boot is None or boot.uptime_ms is None:
            time_us = self.unwrap(boot_id, ticks_us)
        else:
            elapsed_us = (uptime_ms - boot.uptime_ms) % UPTIME_PERIOD_MS * 1000
            expected_us = boot.uptime_time_us + elapsed_us
            time_us = expected_us + ticks_difference_us(ticks_us, expected_us)
        boot = self._boots[boot_id]
        boot.time_us = boot.uptime_time_us = time_us
        boot.uptime_ms = uptime_ms
        return time_us

    def unwrap_many(self, boot_ids: npt.ArrayLike, ticks_us: npt.ArrayLike) -> Int64Array:
        """Unwrap readings in order of arrival; shapes (n,) and (n,), returns (n,) us."""
        boots = np.asarray(boot_ids, np.int64)
        ticks = np.asarray(ticks_us, np.int64)
        times = np.empty(len(ticks), np.int64)
        for boot_id in _distinct(boots):
            chosen = boots == boot_id
            times[chosen] = self._continue(boot_id, ticks[chosen])
        return times

    def _continue(self, boot_id: int, ticks: Int64Array) -> Int64Array:
        first = self.unwrap(boot_id, int(ticks[0]))
        steps = _signed(np.diff(ticks))
        times = np.concatenate(([first], first + np.cumsum(steps)))
        self._boots[boot_id].time_us = int(times[-1])
        return times


class TickTimeline:
    """Unwraps the ticks of a whole recording, each table by itself.

    Every reading is placed relative to the status frame before it in the file,
    so tables of different messages agree with each other and a mistake in one
    place does not carry over to the next.

    ``boot_ids``, ``ticks_us``, ``uptime_ms`` and ``offsets`` are columns of the
    status frames in file order, each of shape (n,).
    """

    def __init__(
        self,
        boot_ids: npt.ArrayLike,
        ticks_us: npt.ArrayLike,
        uptime_ms: npt.ArrayLike,
        offsets: npt.ArrayLike,
    ) -> None:
        boots = np.asarray(boot_ids, np.int64)
        ticks = np.asarray(ticks_us, np.int64)
        uptimes = np.asarray(uptime_ms, np.int64)
        places = np.asarray(offsets, np.int64)
        self._anchors: dict[int, tuple[Int64Array, Int64Array]] = {}
        for boot_id in _distinct(boots):
            chosen = boots == boot_id
            times = _anchor_times(ticks[chosen], uptimes[chosen])
            self._anchors[boot_id] = (places[chosen], times)

    def unwrap(
        self, boot_ids: npt.ArrayLike, ticks_us: npt.ArrayLike, offsets: npt.ArrayLike
    ) -> Int64Array:
        """Unwrap readings given with their place in the file; all of shape (n,).

        Returns microseconds.  A boot without any status frame is unwrapped from
        its own readings in turn.
        """
        boots = np.asarray(boot_ids, np.int64)
        ticks = np.asarray(ticks_us, np.int64)
        places = np.asarray(offsets, np.int64)
        times = np.empty(len(ticks), np.int64)
        for boot_id in _distinct(boots):
            chosen = boots == boot_id
            times[chosen] = self._place(boot_id, ticks[chosen], places[chosen])
        return times

    def _place(self, boot_id: int, ticks: Int64Array, places: Int64Array) -> Int64Array:
        if boot_id not in self._anchors:
            return TickUnwrapper().unwrap_many(np.full(len(ticks), boot_id), ticks)
        anchor_places, anchor_times = self._anchors[boot_id]
        before = np.searchsorted(anchor_places, places, side="right") - 1
        reference = anchor_times[np.maximum(before, 0)]
        return reference + _signed(ticks - reference)


def _distinct(boots: Int64Array) -> list[int]:
    """Boot ids in order of first appearance."""
    if not len(boots):
        return []
    # Boots come in runs, so looking at the changes is far cheaper than sorting all.
    changes = np.flatnonzero(np.diff(boots)) + 1
    return list(dict.fromkeys(int(boots[i]) for i in (0, *changes)))


def _signed(difference: Int64Array) -> Int64Array:
    """Wrapped differences as signed ones; same shape."""
    return (difference + _HALF_PERIOD_US) % TICKS_PERIOD_US - _HALF_PERIOD_US


def _anchor_times(ticks: Int64Array, uptimes: Int64Array) -> Int64Array:
    """Unwrapped times of one boot's status frames; shapes (n,)."""
    elapsed_us = (np.diff(uptimes) % UPTIME_PERIOD_MS) * 1000
    # What the clock says beyond what the uptime says is small, so it cannot be ambiguous.
    steps = elapsed_us + _signed(np.diff(ticks) - elapsed_us)
    return np.concatenate((ticks[:1], ticks[0] + np.cumsum(steps)))
