"""Student's t and Fisher's F, as far as an uncertainty budget needs them.

Why not scipy: these two functions would be the only use the core makes of a
library thirty times the size of the core, on a machine that may be a small
tablet beside the bench.  The algorithm is a published one (the continued
fraction of the regularised incomplete beta function, DLMF 8.17.22) and the
tests hold it against the table of the GUM and against scipy.
"""

from __future__ import annotations

import math
from functools import lru_cache

from steelyard.calibration.root import rising_root
from steelyard.errors import CalibrationError

_FRACTION_TERMS = 500
_TINY = 1e-300
_PRECISION = 1e-15
_NORMAL_FROM = 1e7
"""Beyond this many degrees of freedom t differs from the normal law by less than 1e-7."""


def incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b), for 0 <= x <= 1 (DLMF 8.17)."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    log_front = (
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    # the fraction converges fast only on this side of the mean; the other by symmetry
    if x < (a + 1.0) / (a + b + 2.0):
        return math.exp(log_front) * _beta_fraction(a, b, x) / a
    return 1.0 - math.exp(log_front) * _beta_fraction(b, a, 1.0 - x) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction DLMF 8.17.22, summed forwards by the method of Lentz."""
    c = 1.0
    d = 1.0 / _not_zero(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, _FRACTION_TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for term in (even, odd):
            d = 1.0 / _not_zero(1.0 + term * d)
            c = _not_zero(1.0 + term / c)
            value *= c * d
        if abs(c * d - 1.0) < _PRECISION:
            break
    return value


def _not_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def t_outside(t: float, degrees_of_freedom: float) -> float:
    """Probability that |T| exceeds ``t`` >= 0, T of Student's law."""
    if degrees_of_freedom > _NORMAL_FROM:
        return math.erfc(t / math.sqrt(2.0))
    nu = degrees_of_freedom
    return incomplete_beta(nu / 2.0, 0.5, nu / (nu + t * t))


@lru_cache(maxsize=1024)
def t_factor(probability: float, degrees_of_freedom: float) -> float:
    """The t for which [-t, t] holds ``probability`` of Student's law (GUM table G.2).

    ``degrees_of_freedom`` may be any number > 0, also ``math.inf``.
    Raises CalibrationError when an argument is out of range.
    """
    if not (0.0 < probability < 1.0 and degrees_of_freedom > 0.0):
        raise CalibrationError(
            f"A coverage factor was asked for probability {probability} with "
            f"{degrees_of_freedom} degrees of freedom.",
            "The probability lies between 0 and 1, the degrees of freedom above 0.",
        )
    outside = 1.0 - probability
    low, high = 0.0, 2.0
    while t_outside(high, degrees_of_freedom) > outside:
        low, high = high, high * 2.0

    def value_and_slope(t: float) -> tuple[float, float]:
        below = outside - t_outside(t, degrees_of_freedom)
        return below, 2.0 * _t_density(t, degrees_of_freedom)

    return rising_root(value_and_slope, low, high)


def _t_density(t: float, degrees_of_freedom: float) -> float:
    """Density of Student's law."""
    if degrees_of_freedom > _NORMAL_FROM:
        return math.exp(-0.5 * t * t) / math.sqrt(2.0 * math.pi)
    nu = degrees_of_freedom
    log_front = math.lgamma(0.5 * nu + 0.5) - math.lgamma(0.5 * nu) - 0.5 * math.log(nu * math.pi)
    return math.exp(log_front - 0.5 * (nu + 1.0) * math.log1p(t * t / nu))


def f_above(ratio: float, numerator_dof: float, denominator_dof: float) -> float:
    """Probability that Fisher's F exceeds ``ratio`` >= 0."""
    if ratio <= 0.0:
        return 1.0
    x = denominator_dof / (denominator_dof + numerator_dof * ratio)
    return incomplete_beta(denominator_dof / 2.0, numerator_dof / 2.0, x)
