"""Is the calibration still true?  Control charts over checks with one weight.

Individuals and moving range, exponentially weighted mean (EWMA) and cumulative
sum (CUSUM), by the formulas of the NIST/SEMATECH e-Handbook 6.3.2.2 to 6.3.2.4.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from steelyard.errors import CalibrationError

MOVING_RANGE_D2: Final = 1.128
"""Mean range of two normal values over their standard deviation (table value, e-Handbook)."""


@dataclass(frozen=True)
class Chart:
    """A chart: plotted values, limits for each, and the indexes that lie outside."""

    values: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]

    @property
    def outside(self) -> tuple[int, ...]:
        """Indexes of values beyond their limits."""
        rows = zip(self.values, self.lower, self.upper, strict=True)
        return tuple(i for i, (value, low, high) in enumerate(rows) if not low <= value <= high)

    @property
    def in_control(self) -> bool:
        """Whether every value lies within its limits."""
        return not self.outside


@dataclass(frozen=True)
class Cusum:
    """Tabular CUSUM: sums above and below the target, and the indexes that signal."""

    high: tuple[float, ...]
    low: tuple[float, ...]
    limit: float

    @property
    def high_signals(self) -> tuple[int, ...]:
        """Indexes where the upper sum is beyond the limit."""
        return tuple(i for i, value in enumerate(self.high) if value > self.limit)

    @property
    def low_signals(self) -> tuple[int, ...]:
        """Indexes where the lower sum is beyond the limit."""
        return tuple(i for i, value in enumerate(self.low) if value > self.limit)


def moving_range_sd(values: Sequence[float]) -> float:
    """Standard deviation from the mean moving range, deaf to slow drift (e-Handbook 6.3.2.2)."""
    _enough(values)
    ranges = [abs(after - before) for before, after in itertools.pairwise(values)]
    return math.fsum(ranges) / len(ranges) / MOVING_RANGE_D2


def individuals_chart(
    values: Sequence[float], baseline: int | None = None, sd: float | None = None
) -> Chart:
    """Individuals chart; limits mean ± 3 sd of the first ``baseline`` values (all: None).

    ``sd`` given: that standard deviation in place of the one of the moving ranges.
    """
    base = values[:baseline]
    if sd is None:
        sd = moving_range_sd(base)
    centre = math.fsum(base) / len(base)
    count = len(values)
    return Chart(tuple(values), centre, (centre - 3 * sd,) * count, (centre + 3 * sd,) * count)


def ewma_chart(
    values: Sequence[float],
    target: float,
    sd: float,
    *,
    weight: float = 0.3,
    width: float = 3.0,
    asymptotic: bool = False,
) -> Chart:
    """EWMA chart: z = weight · x + (1 - weight) · z before, from the target.

    Limits grow with time unless ``asymptotic`` asks for their final width
    (which is what the e-Handbook's example prints).
    """
    _positive(sd, weight, width)
    smoothed, lower, upper = [], [], []
    z = target
    for number, value in enumerate(values, start=1):
        z = weight * value + (1.0 - weight) * z
        grown = 1.0 if asymptotic else 1.0 - (1.0 - weight) ** (2 * number)
        half = width * sd * math.sqrt(weight / (2.0 - weight) * grown)
        smoothed.append(z)
        lower.append(target - half)
        upper.append(target + half)
    return Chart(tuple(smoothed), target, tuple(lower), tuple(upper))


def cusum(values: Sequence[float], target: float, allowance: float, limit: float) -> Cusum:
    """Tabular CUSUM: S = max(0, S before ± (x - target) - allowance)."""
    _positive(limit, allowance)
    high: list[float] = []
    low: list[float] = []
    above = below = 0.0
    for value in values:
        above = max(0.0, above + (value - target) - allowance)
        below = max(0.0, below - (value - target) - allowance)
        high.append(above)
        low.append(below)
    return Cusum(tuple(high), tuple(low), limit)


def _enough(values: Sequence[float]) -> None:
    if len(values) < 2:
        raise CalibrationError(
            f"{len(values)} checks make no control chart.", "Check with the weight a few times."
        )


def _positive(*numbers: float) -> None:
    if not all(math.isfinite(number) and number > 0.0 for number in numbers):
        raise CalibrationError(
            f"A control chart cannot be drawn with {', '.join(f'{n:g}' for n in numbers)}.",
            "Standard deviation, weight, width, allowance and limit are all above zero.",
        )
