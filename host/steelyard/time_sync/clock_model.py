"""Every boot of a recording on one host clock.

The line of `ClockFit` holds within one boot and while the host's monotonic
clock runs.  A host that sleeps stops that clock, so the marks of one boot may
fall into several stretches; each has a line of its own.

Wall time is the monotonic clock plus the difference of the two at the first
mark.  Why not the difference at each moment: a wall clock set right in the
middle of a session would make samples jump or change places.  Such steps are
reported instead of followed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from steelyard.errors import TimeSyncError
from steelyard.time_sync.clock_fit import ClockFit, fit_clock
from steelyard.time_sync.mark_line import FloatArray
from steelyard.time_sync.marks import ClockMark, Int64Array, MarkColumns

_RATE_LIMIT: Final = 1000e-6
"""No crystal is off by more; a larger difference means that a clock stood still."""
_JUMP_LIMIT_US: Final = 20_000.0
_WALL_RATE_LIMIT: Final = 500e-6
"""Fastest a system adjusts its wall clock without stepping it (common practice, no source)."""
_WALL_STEP_LIMIT_NS: Final = 5_000_000


@dataclass(frozen=True)
class WallClockStep:
    """The wall clock was set, by so much, at or shortly before a time mark."""

    host_monotonic_ns: int
    step_ns: int


class _Stretch:
    """Marks of one boot between which the host's clock ran on."""

    def __init__(self, marks: list[ClockMark] | MarkColumns) -> None:
        self._marks = marks
        self._fit: ClockFit | None = None

    @property
    def latest(self) -> ClockMark:
        return (self._marks[-1:].marks() if isinstance(self._marks, MarkColumns) else self._marks)[
            -1
        ]

    def append(self, mark: ClockMark) -> None:
        if isinstance(self._marks, MarkColumns):
            self._marks = self._marks.marks()
        self._marks.append(mark)
        self._fit = None

    def fitted(self) -> ClockFit:
        if self._fit is None:
            self._fit = fit_clock(self._marks)
        return self._fit


@dataclass
class _BootMarks:
    stretches: list[_Stretch]
    suspects: list[ClockMark] = field(default_factory=list)

    def add(self, mark: ClockMark) -> None:
        """One mark off the line is a bad mark; two that agree are a new stretch."""
        current = self.stretches[-1]
        if _consistent(current.latest, mark):
            current.append(mark)
            self.suspects.clear()
        elif self.suspects and _consistent(self.suspects[-1], mark):
            self.stretches.append(_Stretch([*self.suspects, mark]))
            self.suspects.clear()
        else:
            self.suspects = [mark]


class ClockModel:
    """Maps device time of any boot to the host's clocks.

    Takes marks in order of time, all at once or as they come; a line is fitted
    again only when it is asked for after a new mark.
    """

    def __init__(self, marks: Iterable[ClockMark] = ()) -> None:
        self._boots: dict[int, _BootMarks] = {}
        self._wall_difference_ns: int | None = None
        self._latest: ClockMark | None = None
        self._steps: list[WallClockStep] = []
        for mark in marks:
            self.add(mark)

    @classmethod
    def of_columns(cls, marks: MarkColumns) -> ClockModel:
        """As from all these marks one by one, but at once where nothing out of the way happens.

        That is: clocks ran on between any two marks of a boot, boots follow each
        other, and nobody set the wall clock.
        """
        boots, starts = marks.boot_ids, [0]
        if len(marks):
            starts += (np.flatnonzero(boots[1:] != boots[:-1]) + 1).tolist()
        if len(marks) < 2 or len(np.unique(boots)) != len(starts) or _anything_odd(marks, starts):
            return cls(marks.marks())
        model = cls()
        for first, end in pairwise([*starts, len(marks)]):
            stretch = _Stretch(marks[first:end])
            model._boots[int(boots[first])] = _BootMarks([stretch])
        model._latest = marks[-1:].marks()[0]
        model._wall_difference_ns = int(marks.host_unix_ns[0]) - int(marks.host_monotonic_ns[0])
        return model

    def add(self, mark: ClockMark) -> None:
        """Take the next mark."""
        self._follow_wall_clock(mark)
        boot = self._boots.get(mark.boot_id)
        if boot is None:
            self._boots[mark.boot_id] = _BootMarks([_Stretch([mark])])
        else:
            boot.add(mark)

    def _follow_wall_clock(self, mark: ClockMark) -> None:
        difference = mark.host_unix_ns - mark.host_monotonic_ns
        latest, self._latest = self._latest, mark
        if latest is None:
            self._wall_difference_ns = difference
            return
        step = difference - (latest.host_unix_ns - latest.host_monotonic_ns)
        elapsed = abs(mark.host_monotonic_ns - latest.host_monotonic_ns)
        if abs(step) > _WALL_STEP_LIMIT_NS + _WALL_RATE_LIMIT * elapsed:
            self._steps.append(WallClockStep(mark.host_monotonic_ns, step))

    @property
    def boot_ids(self) -> tuple[int, ...]:
        """Boots that have marks, in order of their first one."""
        return tuple(self._boots)

    @property
    def wall_clock_steps(self) -> tuple[WallClockStep, ...]:
        """Every time the wall clock was set while marks were taken."""
        return tuple(self._steps)

    def fits(self, boot_id: int) -> tuple[ClockFit, ...]:
        """The lines of one boot: one, and one more for each pause of the host.

        Raises:
            TimeSyncError: the boot has no time mark.
        """
        boot = self._boots.get(boot_id)
        if boot is None:
            raise TimeSyncError(
                f"Boot {boot_id:08x} has no time mark, so its samples have no host time.",
                "Use device time for it; a recorder makes marks once a second while a box answers.",
            )
        return tuple(stretch.fitted() for stretch in boot.stretches)

    def host_monotonic_ns(self, boot_id: int, device_us: npt.ArrayLike) -> Int64Array:
        """Host's monotonic time [ns] of one boot's unwrapped device times [us], shape (n,).

        Raises:
            TimeSyncError: the boot has no time mark.
        """
        times = np.atleast_1d(np.asarray(device_us, np.int64))
        result = np.empty(len(times), np.int64)
        for fit, chosen in self._choose(boot_id, times):
            result[chosen] = fit.host_monotonic_ns(times[chosen])
        return result

    def unix_ns(self, boot_id: int, device_us: npt.ArrayLike) -> Int64Array:
        """Wall clock [ns since 1970 UTC] of one boot's unwrapped device times [us], shape (n,).

        Raises:
            TimeSyncError: the boot has no time mark.
        """
        return self.host_monotonic_ns(boot_id, device_us) + (self._wall_difference_ns or 0)

    def uncertainty_us(self, boot_id: int, device_us: npt.ArrayLike) -> FloatArray:
        """Standard uncertainty of the mapped times [us], shape (n,).

        Against the host's monotonic clock; how right the host's wall clock is,
        this cannot know.

        Raises:
            TimeSyncError: the boot has no time mark.
        """
        times = np.atleast_1d(np.asarray(device_us, np.int64))
        result = np.empty(len(times), np.float64)
        for fit, chosen in self._choose(boot_id, times):
            result[chosen] = fit.uncertainty_us(times[chosen])
        return result

    def _choose(
        self, boot_id: int, times: Int64Array
    ) -> list[tuple[ClockFit, npt.NDArray[np.bool_]]]:
        """Which times go with which line: a pause lies anywhere between two stretches."""
        fits = self.fits(boot_id)
        borders = [
            (before.last_device_us + after.first_device_us) // 2 for before, after in pairwise(fits)
        ]
        index = np.searchsorted(np.array(borders, np.int64), times, side="right")
        return [(fit, index == number) for number, fit in enumerate(fits)]


def _anything_odd(marks: MarkColumns, starts: list[int]) -> bool:
    """Whether `ClockModel.add` would do anything but append, for any mark; see `_consistent`."""
    host_ns = marks.host_monotonic_ns
    elapsed_ns = np.abs(np.diff(host_ns))
    wall_steps_ns = np.abs(np.diff(marks.host_unix_ns - host_ns))
    if (wall_steps_ns > _WALL_STEP_LIMIT_NS + _WALL_RATE_LIMIT * elapsed_ns).any():
        return True
    device_us = np.diff(marks.device_us)
    host_us = np.diff(host_ns) / 1000
    slack_us = (marks.round_trip_us[:-1] + marks.round_trip_us[1:]) / 2 + _JUMP_LIMIT_US
    stood = np.abs(host_us - device_us) > _RATE_LIMIT * np.abs(device_us) + slack_us
    stood[np.array(starts[1:], np.int64) - 1] = False  # between two boots nothing is compared
    return bool(stood.any())


def _consistent(earlier: ClockMark, later: ClockMark) -> bool:
    """Whether both clocks ran on between two marks."""
    device_us = later.device_us - earlier.device_us
    host_us = (later.host_monotonic_ns - earlier.host_monotonic_ns) / 1000
    slack_us = (earlier.round_trip_us + later.round_trip_us) / 2 + _JUMP_LIMIT_US
    return abs(host_us - device_us) <= _RATE_LIMIT * abs(device_us) + slack_us
