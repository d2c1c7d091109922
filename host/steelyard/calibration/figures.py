"""The named figures of a calibration, each by the definition of a standard.

All are shares of the greatest force, in percent, so that they can be compared
with each other; definitions restated in our own words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steelyard.calibration.readings import Direction, LoadPoint
from steelyard.calibration.response_fit import ResponseFit


@dataclass(frozen=True)
class Figure:
    """A named figure: percent of full scale (or None when the points do not show it)."""

    name: str
    percent: float | None
    definition: str
    source: str

    def line(self) -> str:
        """One line of text."""
        value = "not shown" if self.percent is None else f"{self.percent:.4f} %"
        return f"{self.name}: {value} ({self.definition}; {self.source})"


def named_figures(points: Sequence[LoadPoint], fit: ResponseFit) -> tuple[Figure, ...]:
    """Interpolation, repeatability, reversibility, zero return and linearity."""
    ends = fit.curve.counts(np.array([fit.curve.low_newtons, fit.curve.high_newtons]))
    span = abs(float(ends[1] - ends[0]))

    def percent(counts: float | None) -> float | None:
        return None if counts is None else 100.0 * counts / span

    r60 = "as OIML R 60-1:2021"
    iso = "as ISO 376, cited from memory"
    loop = max((abs(half) for newtons, half in fit.loop if newtons > 0.0), default=None)
    return (
        Figure(
            "interpolation error",
            percent(max(abs(mean) for _, mean in fit.deviations)),
            "largest mean deviation of a load from the curve",
            iso,
        ),
        Figure(
            "repeatability",
            percent(_repeatability(points)),
            "largest difference between runs at one load and direction, zeros taken off",
            f"{r60} and {iso}",
        ),
        Figure(
            "reversibility (hysteresis)",
            percent(None if loop is None else 2.0 * loop),
            "largest difference between rising and falling readings of one load",
            r60,
        ),
        Figure(
            "zero return",
            percent(_zero_return(points)),
            "largest change of the unloaded reading over a run",
            r60,
        ),
        Figure(
            "linearity",
            percent(_non_linearity(fit)),
            "largest deviation of the curve from the straight line through its ends",
            r60,
        ),
    )


def _zero_of(points: Sequence[LoadPoint], run: int, direction: Direction) -> float | None:
    for point in points:
        if point.run == run and point.mass_kg == 0.0 and point.direction is direction:
            return point.counts_mean
    return None


def _repeatability(points: Sequence[LoadPoint]) -> float | None:
    by_load: dict[tuple[float, Direction], list[float]] = {}
    for point in points:
        zero = _zero_of(points, point.run, Direction.UP)
        if zero is not None and point.mass_kg > 0.0:
            key = (point.mass_kg, point.direction)
            by_load.setdefault(key, []).append(point.counts_mean - zero)
    spreads = [max(values) - min(values) for values in by_load.values() if len(values) > 1]
    return max(spreads, default=None)


def _zero_return(points: Sequence[LoadPoint]) -> float | None:
    changes = []
    for run in {point.run for point in points}:
        before = _zero_of(points, run, Direction.UP)
        after = _zero_of(points, run, Direction.DOWN)
        if before is not None and after is not None:
            changes.append(abs(after - before))
    return max(changes, default=None)


def _non_linearity(fit: ResponseFit) -> float:
    curve = fit.curve
    force = np.linspace(curve.low_newtons, curve.high_newtons, 201)
    counts = curve.counts(force)
    straight = counts[0] + (counts[-1] - counts[0]) * (force - force[0]) / curve.span_newtons
    return float(np.abs(counts - straight).max())
