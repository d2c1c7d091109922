"""How counts follow force, and the way back.

Why counts as a function of force and not the reverse: the weights are known
many times better than the readings repeat, so the scatter is in the counts,
and least squares belongs on the side that scatters (ASTM E74 also fits the
deflection as a function of force).  The way back is then no second fit that
disagrees with the first, but the exact inverse of the curve.

Outside the range of the weights the curve goes on along its end tangents, so
that it can never turn round; such values are flagged by the caller.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from steelyard.calibration.least_squares import Array
from steelyard.errors import PoorFitError

_NEWTON_STEPS = 30
_CONVERGED = 1e-15


@dataclass(frozen=True)
class ResponseCurve:
    """Counts as a Legendre series in force over [``low_newtons``, ``high_newtons``]."""

    coefficients: tuple[float, ...]
    low_newtons: float
    high_newtons: float

    @property
    def degree(self) -> int:
        """Degree of the polynomial."""
        return len(self.coefficients) - 1

    @property
    def span_newtons(self) -> float:
        """Force between the ends of the range."""
        return self.high_newtons - self.low_newtons

    def scaled(self, force_newtons: Array) -> Array:
        """Force on the scale [-1, 1] of the series; beyond it outside the range."""
        return (force_newtons - self.low_newtons) * (2.0 / self.span_newtons) - 1.0

    def basis(self, force_newtons: Array) -> Array:
        """Rows (n, degree + 1) of d counts / d coefficient, held at the ends of the range."""
        inside = np.clip(self.scaled(force_newtons), -1.0, 1.0)
        outside = self.scaled(force_newtons) - inside
        rows: Array = np.asarray(legendre.legvander(inside, self.degree), dtype=np.float64)
        if not outside.any():
            return rows
        return rows + outside[:, None] * legendre_slopes(inside, self.degree)

    def counts(self, force_newtons: Array) -> Array:
        """Counts the curve gives at a force."""
        inside = np.clip(self.scaled(force_newtons), -1.0, 1.0)
        outside = self.scaled(force_newtons) - inside
        coefficients = np.array(self.coefficients)
        end_slope = _series(inside, legendre.legder(coefficients))
        return _series(inside, coefficients) + outside * end_slope

    def slope(self, force_newtons: Array) -> Array:
        """Counts per newton at a force."""
        inside = np.clip(self.scaled(force_newtons), -1.0, 1.0)
        derivative = legendre.legder(np.array(self.coefficients))
        return _series(inside, derivative) * (2.0 / self.span_newtons)

    def force(self, counts: Array) -> Array:
        """Exact inverse of ``counts``: to the last bits of a double, by Newton's method.

        The curve is monotonic with tangents beyond its ends, so every count has
        one force; not-a-number stays not-a-number.
        """
        ends = self.counts(np.array([self.low_newtons, self.high_newtons]))
        chord = (ends[1] - ends[0]) / self.span_newtons
        force: Array = self.low_newtons + (counts - ends[0]) / chord
        if self.degree == 1:
            return force
        tolerance = _CONVERGED * max(abs(self.low_newtons), abs(self.high_newtons))
        for _ in range(_NEWTON_STEPS):
            step = (self.counts(force) - counts) / self.slope(force)
            force = force - step
            largest = float(np.nanmax(np.abs(step), initial=0.0))
            if largest <= tolerance:
                break
        return force

    def require_monotonic(self) -> None:
        """Raise PoorFitError when the curve turns round, or lies flat, inside its range."""
        derivative = legendre.legder(np.array(self.coefficients))
        places = np.array([-1.0, *_steepest_or_flattest(derivative), 1.0])
        slopes = _series(places, derivative)
        if (slopes > 0.0).all() or (slopes < 0.0).all():
            return
        against = places[int(np.argmin(slopes * np.sign(slopes.sum() or 1.0)))]
        where = self.low_newtons + 0.5 * (against + 1.0) * self.span_newtons
        raise PoorFitError(
            f"The fitted curve of degree {self.degree} runs backwards or flat near {where:.0f} N, "
            "inside its range, so counts would not tell the force.",
            "Choose degree 1, or look for a wrong mass among the points.",
        )


def _steepest_or_flattest(derivative: NDArray[np.floating[Any]]) -> list[float]:
    """Where, inside [-1, 1], a slope of degree up to 2 has its extreme: d₁ + 3 d₂ t = 0."""
    if derivative.size < 3 or abs(derivative[1]) >= 3.0 * abs(derivative[2]):
        return []
    return [float(-derivative[1] / (3.0 * derivative[2]))]


def _series(scaled: Array, coefficients: NDArray[np.floating[Any]]) -> Array:
    return np.asarray(legendre.legval(scaled, coefficients), dtype=np.float64)


def legendre_slopes(scaled: Array, degree: int) -> Array:
    """Rows (n, degree + 1) of the derivatives of the Legendre polynomials."""
    rows = np.zeros((scaled.size, degree + 1))
    for order in range(1, degree + 1):
        unit = np.zeros(order + 1)
        unit[order] = 1.0
        rows[:, order] = _series(scaled, legendre.legder(unit))
    return rows
