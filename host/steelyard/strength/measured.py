"""A value with its uncertainty, and plain statements that go with results."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from steelyard.calibration import format_measurement

COVERAGE_FACTOR: Final = 2.0
"""k for 95 %: the large contributions have many degrees of freedom (GUM 6.3.3)."""


@dataclass(frozen=True)
class Measured:
    """A value and its standard uncertainty, in one unit."""

    value: float
    standard_uncertainty: float
    unit: str

    @property
    def expanded_uncertainty(self) -> float:
        """U = 2 u: 95 %."""
        return COVERAGE_FACTOR * self.standard_uncertainty

    def holds(self, truth: float) -> bool:
        """Whether the interval value ± U contains a number."""
        return abs(self.value - truth) <= self.expanded_uncertainty

    def scaled(self, factor: float, unit: str) -> Measured:
        """The same in another unit."""
        return Measured(self.value * factor, self.standard_uncertainty * abs(factor), unit)

    def text(self) -> str:
        """Such as ``212 ± 4 N·m``; ± is the expanded uncertainty, k = 2 (95 %)."""
        full = format_measurement(self.value, self.expanded_uncertainty, self.unit)
        return full.removesuffix(" (k = 2.0)").rstrip().replace(" °", "°")


@dataclass(frozen=True)
class Statement:
    """Something to be said beside (or in place of) a figure.

    ``code`` is short and stable, ``seconds`` the moment in the session.
    ``spoils`` means: a figure was not given, or must not be used, because of it.
    """

    code: str
    text: str
    seconds: float | None = None
    spoils: bool = False


def root_sum(parts: Iterable[float]) -> float:
    """Root of the sum of squares: independent contributions (GUM eq. 10)."""
    return math.sqrt(math.fsum(part * part for part in parts))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a quantity known only to lie within ± ``half_width`` (GUM 4.3.7)."""
    return half_width / math.sqrt(3.0)
