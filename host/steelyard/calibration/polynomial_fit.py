"""A polynomial through points, fitted on an orthogonal basis.

Powers of a raw reading (1, 10⁶, 10¹², 10¹⁸) cannot be fitted in double
precision without losing half the digits.  So the abscissa is centred and
scaled to [-1, 1], the fit is made on Legendre polynomials, and only the result
is turned into powers of the raw abscissa.  A line or curve through the origin
keeps the origin where it is and is only scaled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre

from steelyard.calibration.least_squares import Array, LeastSquares, solve
from steelyard.errors import PoorFitError


@dataclass(frozen=True)
class PolynomialFit:
    """A fitted polynomial in powers of the raw abscissa, lowest power first.

    ``coefficients`` and ``covariance`` leave the constant out when the curve
    was held to the origin.  ``r_squared`` counts from the mean, or from zero
    for a curve through the origin (the convention of NIST StRD).
    """

    coefficients: Array
    covariance: Array
    residuals: Array
    residual_sd: float
    degrees_of_freedom: int
    r_squared: float
    through_origin: bool

    @property
    def standard_errors(self) -> Array:
        """Standard deviations of the coefficients, in their units."""
        return np.sqrt(np.diag(self.covariance))

    def predict(self, abscissa: Array) -> tuple[Array, Array]:
        """Fitted values and their standard uncertainties at ``abscissa`` (n) (GUM H.3.4)."""
        first = 1 if self.through_origin else 0
        powers = np.power.outer(abscissa, np.arange(first, first + self.coefficients.size))
        variance = np.einsum("ni,ij,nj->n", powers, self.covariance, powers)
        return powers @ self.coefficients, np.sqrt(np.maximum(variance, 0.0))


def fit_polynomial(
    abscissa: Array, ordinate: Array, degree: int, *, through_origin: bool = False
) -> PolynomialFit:
    """Fit ``ordinate`` (n) as a polynomial of ``abscissa`` (n) by ordinary least squares.

    Raises PoorFitError when the points do not determine the polynomial.
    """
    if degree < 1 or abscissa.size == 0:
        raise PoorFitError(
            f"A polynomial of degree {degree} through {abscissa.size} points is no fit.",
            "Give at least two points and a degree of 1 or more.",
        )
    centre, half_width = _scale(abscissa, through_origin)
    scaled = (abscissa - centre) / half_width
    if through_origin:
        design = np.power.outer(scaled, np.arange(1, degree + 1))
        to_raw = np.diag(half_width ** -np.arange(1.0, degree + 1.0))
    else:
        design = legendre.legvander(scaled, degree)
        to_raw = _raw_powers(degree, centre, half_width)
    solution = solve(design, ordinate)
    return PolynomialFit(
        coefficients=to_raw @ solution.estimates,
        covariance=to_raw @ solution.covariance @ to_raw.T,
        residuals=solution.residuals,
        residual_sd=solution.residual_sd,
        degrees_of_freedom=solution.degrees_of_freedom,
        r_squared=_r_squared(solution, ordinate, through_origin),
        through_origin=through_origin,
    )


def _scale(abscissa: Array, through_origin: bool) -> tuple[float, float]:
    """Centre and half width that bring the abscissa into [-1, 1]."""
    low, high = float(abscissa.min()), float(abscissa.max())
    if through_origin:
        low, high = -max(abs(low), abs(high)), max(abs(low), abs(high))
    if low == high:
        raise PoorFitError(
            f"All {abscissa.size} points have the same abscissa {low:g}.",
            "A curve needs loads of different mass.",
        )
    return 0.5 * (low + high), 0.5 * (high - low)


def _raw_powers(degree: int, centre: float, half_width: float) -> Array:
    """Matrix from Legendre coefficients on [-1, 1] to powers of the raw abscissa."""
    step = np.array([-centre / half_width, 1.0 / half_width])
    matrix = np.zeros((degree + 1, degree + 1))
    for order in range(degree + 1):
        unit = np.zeros(order + 1)
        unit[order] = 1.0
        raw = np.zeros(1)
        for coefficient in legendre.leg2poly(unit)[::-1]:  # Horner, on polynomials
            raw = np.convolve(raw, step)
            raw[0] += coefficient
        matrix[: order + 1, order] = raw[: order + 1]
    return matrix


def _r_squared(solution: LeastSquares, ordinate: Array, through_origin: bool) -> float:
    reference = 0.0 if through_origin else float(ordinate.mean())
    total = float(np.sum((ordinate - reference) ** 2))
    return 1.0 - solution.residual_sum / total if total > 0.0 else 1.0
