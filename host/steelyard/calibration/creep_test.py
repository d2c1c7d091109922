"""Creep: how the reading of a held load goes on changing.

Definitions restated: ISO 376 (from memory) compares the readings 30 s and
300 s after the load is on; OIML R 60-1:2021 looks at 30 minutes, and apart
from it at the change between the 20th and the 30th minute.  All as shares of
the change that the load itself made.

A held load is a hanging load: keep clear of it, and do not leave it alone.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from steelyard.calibration.figures import Figure
from steelyard.errors import CalibrationError, SpanTooSmallError

START_SECONDS: Final = 30.0
END_SECONDS: Final = 300.0
R60_SECONDS: Final = 1800.0
R60_LATE_START_SECONDS: Final = 1200.0
STILL_TO_COME: Final = 2.0
"""Bound of creep over what a hold of five minutes shows: a cell with lags of half a minute and
five minutes has then done two thirds of it (common practice, no source)."""

KEPT_READINGS: Final = 60
LEAST_CHANGE_COUNTS: Final = 2000.0
"""As for the span of a calibration: less shows no creep (common practice, no source)."""


@dataclass(frozen=True)
class CreepTest:
    """A load held still: the change it made in counts, then (seconds since, counts) as it hung.

    Thinned to some sixty readings, enough to draw and to judge again.
    """

    load_counts: float
    held: tuple[tuple[float, float], ...]

    @property
    def hold_seconds(self) -> float:
        """How long the load hung."""
        return self.held[-1][0]

    def change_relative(self, start_seconds: float, end_seconds: float) -> float | None:
        """Change between two moments as a share of the load; None when not held so long."""
        if end_seconds > self.hold_seconds + 1e-9 or start_seconds < self.held[0][0] - 1e-9:
            return None
        return (self._at(end_seconds) - self._at(start_seconds)) / self.load_counts

    @property
    def bound_relative(self) -> float:
        """Bound of creep for the uncertainty budget, as a share of the load."""
        largest = max(abs(counts - self.held[0][1]) for _, counts in self.held)
        seen = largest / abs(self.load_counts)
        return seen if self.hold_seconds >= R60_SECONDS else STILL_TO_COME * seen

    def figures(self) -> tuple[Figure, ...]:
        """The named figures, in percent of the load."""
        named = (
            ("creep, 30 s to 300 s", START_SECONDS, END_SECONDS, "as ISO 376, cited from memory"),
            ("creep over 30 min", self.held[0][0], R60_SECONDS, "as OIML R 60-1:2021"),
            ("creep, 20 to 30 min", R60_LATE_START_SECONDS, R60_SECONDS, "as OIML R 60-1:2021"),
        )
        made = []
        for name, start, end, source in named:
            change = self.change_relative(start, end)
            percent = None if change is None else 100.0 * abs(change)
            made.append(Figure(name, percent, "change of a held load, share of the load", source))
        return tuple(made)

    def _at(self, seconds: float) -> float:
        """Counts at a moment, by a straight line between the readings about it."""
        before = max(
            (item for item in self.held if item[0] <= seconds + 1e-9), default=self.held[0]
        )
        after = min(
            (item for item in self.held if item[0] >= seconds - 1e-9), default=self.held[-1]
        )
        if after[0] <= before[0]:
            return before[1]
        share = (seconds - before[0]) / (after[0] - before[0])
        return before[1] + share * (after[1] - before[1])


def creep_test(
    unloaded_counts: float, readings: Sequence[tuple[float, float]], kept: int = KEPT_READINGS
) -> CreepTest:
    """Make a creep test from (seconds since the load was on, counts), in order of time.

    Raises CalibrationError when the load was held for less than 300 s or the
    readings are out of order, SpanTooSmallError when it hardly moved the reading.
    """
    times = [seconds for seconds, _ in readings]
    whole = all(math.isfinite(value) for pair in readings for value in pair)
    if len(readings) < 10 or not whole or times != sorted(set(times)) or times[0] > START_SECONDS:
        raise CalibrationError(
            f"{len(readings)} readings of a held load cannot show creep.",
            "Give at least ten, in order of time, the first within 30 s of loading.",
        )
    if times[-1] < END_SECONDS:
        raise CalibrationError(
            f"The load was held for {times[-1]:.0f} s; creep shows after {END_SECONDS:.0f} s.",
            "Hold the greatest load still for five minutes or longer.",
        )
    blocks = _blocks(readings, kept)
    load = blocks[0][1] - unloaded_counts
    if abs(load) < LEAST_CHANGE_COUNTS:
        raise SpanTooSmallError(
            f"The held load changed the reading by {load:.0f} counts only.",
            f"Hold a load that changes it by {LEAST_CHANGE_COUNTS:.0f} or more.",
        )
    return CreepTest(load, blocks)


def _blocks(readings: Sequence[tuple[float, float]], kept: int) -> tuple[tuple[float, float], ...]:
    """Means of successive blocks, short ones first: creep is quick at the beginning.

    The last keeps its last moment, so that a hold of 30 minutes stays one.  Few
    readings stay as they are: a test written down and read again is the same test.
    """
    if len(readings) <= kept:
        return tuple(readings)
    count = min(kept, len(readings))
    edges = [round(len(readings) * (index / count) ** 2) for index in range(count + 1)]
    blocks = [readings[start:end] for start, end in itertools.pairwise(edges) if end > start]
    means = [
        (
            math.fsum(seconds for seconds, _ in block) / len(block),
            math.fsum(counts for _, counts in block) / len(block),
        )
        for block in blocks
    ]
    means[-1] = (readings[-1][0], means[-1][1])
    return tuple(means)
