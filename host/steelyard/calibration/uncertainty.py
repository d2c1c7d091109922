"""The uncertainty budget of the GUM (JCGM 100:2008): lines, their sum, k, and how to print it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

from steelyard.calibration.interval import half_width
from steelyard.calibration.student_t import t_factor

COVERAGE: Final = 0.95

DIVISORS: Final = {
    "normal": 1.0,
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "arcsine": math.sqrt(2.0),
    "resolution": math.sqrt(12.0),
    "two-point": 1.0,
    "product": 3.0,
}
"""What a half-width (for resolution: a whole step) is divided by (GUM 4.3.7-4.3.9, F.2.2.1).

Two-point: one end or the other and nothing between, so the half-width is the deviation.
Product: of two independent rectangular quantities about zero, a²/3 times b²/3."""


@dataclass(frozen=True)
class BudgetLine:
    """One source of uncertainty.

    ``value`` is a standard uncertainty for ``normal``, a half-width otherwise
    (a step for ``resolution``), in ``unit``; ``sensitivity`` turns that unit
    into the unit of the result.
    """

    name: str
    value: float
    unit: str
    distribution: str = "normal"
    sensitivity: float = 1.0
    degrees_of_freedom: float = math.inf
    evaluation: str = "B"
    """``A``: from the scatter of these readings; ``B``: from anything else (GUM 0.7)."""

    @property
    def standard_uncertainty(self) -> float:
        """Standard uncertainty of the source itself, in ``unit``."""
        return self.value / DIVISORS[self.distribution]

    def scaled(self, factor: float) -> BudgetLine:
        """The same source in a result that is ``factor`` times this one."""
        return replace(self, sensitivity=self.sensitivity * factor)

    @property
    def contribution(self) -> float:
        """What it adds to the standard uncertainty of the result, in the result's unit."""
        return abs(self.sensitivity) * self.standard_uncertainty


@dataclass(frozen=True)
class Budget:
    """Lines that are independent of each other, and what they come to."""

    lines: tuple[BudgetLine, ...]
    unit: str

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty (GUM eq. 10), in ``unit``."""
        return combine(line.contribution for line in self.lines)

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom (GUM eq. G.2b)."""
        return effective_degrees_of_freedom(
            (line.contribution, line.degrees_of_freedom) for line in self.lines
        )

    @property
    def shape_factor(self) -> float:
        """Width of the 95 % interval of the sum's own law over that of a normal law.

        1 for normal sources; less where one stands out whose law has ends.
        """
        parts = [(line.distribution, line.contribution) for line in self.lines]
        if all(law == "normal" or part == 0.0 for law, part in parts):
            return 1.0
        return half_width(parts, COVERAGE) / coverage_factor(math.inf)

    @cached_property
    def coverage_factor(self) -> float:
        """Factor k for a coverage of 95 %: Student's t for the degrees of freedom, times the shape.

        Two corrections to one 1.96, each exact where the other is none: t for what is
        known from few readings (GUM G.4), the shape for laws that are not normal (G.1.5).
        """
        return coverage_factor(self.degrees_of_freedom) * self.shape_factor

    @property
    def expanded_uncertainty(self) -> float:
        """U = k u at a coverage of 95 %, in ``unit``."""
        return self.coverage_factor * self.standard_uncertainty

    def table_lines(self) -> list[str]:
        """The budget as text, largest contribution first."""
        heading = f"{'source':34} {'value':>11} {'':10} {'law':11} {'dof':>5} {self.unit:>11}"
        rows = [
            f"{line.name:34} {line.value:11.4g} {line.unit:10} {line.distribution:11} "
            f"{_dof_text(line.degrees_of_freedom):>5} {line.contribution:11.4g}"
            for line in sorted(self.lines, key=lambda line: -line.contribution)
        ]
        total = (
            f"combined u = {self.standard_uncertainty:.3g} {self.unit}, effective dof "
            f"{_dof_text(self.degrees_of_freedom)}, k = {self.coverage_factor:.2f}, "
            f"U = {self.expanded_uncertainty:.3g} {self.unit} (95 %)"
        )
        return [heading, *rows, total]


def combine(contributions: Iterable[float]) -> float:
    """Root of the sum of squares (GUM eq. 10, independent inputs)."""
    return math.sqrt(sum(part * part for part in contributions))


def effective_degrees_of_freedom(terms: Iterable[tuple[float, float]]) -> float:
    """Formula of Welch and Satterthwaite (GUM eq. G.2b) over (contribution, dof) pairs."""
    pairs = [(part, dof) for part, dof in terms if part > 0.0]
    total = sum(part * part for part, _ in pairs)
    below = sum(part**4 / dof for part, dof in pairs if math.isfinite(dof))
    return total * total / below if below > 0.0 else math.inf


def coverage_factor(degrees_of_freedom: float, probability: float = COVERAGE) -> float:
    """Coverage factor k: Student's t for the given degrees of freedom.

    The GUM truncates the degrees of freedom to a whole number because its table
    has no others (G.4.1).  They are truncated here too, so that a reader with
    the table gets our k; below 1 the formula's own value is kept.
    """
    if math.isfinite(degrees_of_freedom) and degrees_of_freedom >= 1.0:
        # a hair above a whole number may arrive a hair below it
        degrees_of_freedom = math.floor(degrees_of_freedom + 1e-9)
    return t_factor(probability, degrees_of_freedom)


def format_measurement(value: float, expanded: float, unit: str, factor: float = 2.0) -> str:
    """Text such as ``212 ± 4 N (k = 2.0)``.

    The uncertainty is rounded up, to one digit where the first is 3 or more and
    to two below that, and the value to the same place (GUM 7.2.6: at most two
    digits, rounding up rather than down where it matters).
    """
    if not (math.isfinite(value) and math.isfinite(expanded) and expanded > 0.0):
        return f"{value:g} {unit} (uncertainty not known)"
    place = _last_place(expanded)
    rounded = _rounded_up(expanded, place)
    # 2.97 may have become 3.0, which needs one digit less
    place = max(place, _last_place(rounded))
    digits = max(0, -place)
    whole = round(value / 10.0**place) * 10.0**place
    uncertainty = _rounded_up(expanded, place)
    return f"{whole:.{digits}f} ± {uncertainty:.{digits}f} {unit} (k = {factor:.1f})"


def _last_place(uncertainty: float) -> int:
    exponent = math.floor(math.log10(uncertainty) + 1e-12)
    leading = uncertainty / 10.0**exponent
    return exponent if leading >= 2.95 else exponent - 1


def _rounded_up(uncertainty: float, place: int) -> float:
    """Up to the next step, unless it is over by less than a twentieth of a step."""
    steps = uncertainty / 10.0**place
    return math.ceil(steps - 0.05) * 10.0**place


def _dof_text(degrees_of_freedom: float) -> str:
    return f"{degrees_of_freedom:.0f}" if math.isfinite(degrees_of_freedom) else "inf"
