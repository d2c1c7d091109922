"""How wide the interval is that holds 95 % of a sum of sources, by the shapes of their laws.

The GUM takes the sum for normal, which holds when no source stands out (G.2.1).
Where one does whose law has ends, as half a loop of hysteresis has, nothing lies
far out and 1.96 u holds 98 or 99 % (G.1.5 then asks for the sum's own law;
JCGM 101:2008 computes it by drawing).  Here it is computed without drawing: the
characteristic function of a sum is the product of those of its parts, and it is
the Fourier series of the sum's density.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from steelyard.calibration.least_squares import Array
from steelyard.calibration.root import rising_root

HALF_PERIOD: Final = 8.0
"""Standard deviations of the sum beyond which its density is taken as nothing."""

TERMS: Final = 1024
_SMOOTH: Final = 0.01
"""Standard deviation of a normal law put on top, so that a law of two points has a density: it
adds 0.005 % to the width."""

_NEGLIGIBLE: Final = 1e-12

_FREQUENCIES: Array = np.asarray(np.arange(1, TERMS + 1) * (np.pi / HALF_PERIOD), np.float64)
_QUARTER: Final = 0.5 * np.pi * (np.arange(256) + 0.5) / 256.0
_NODES, _WEIGHTS = (half[32:] for half in np.polynomial.legendre.leggauss(64))

LAWS: Final[dict[str, Callable[[Array], Array]]] = {
    "normal": lambda w: np.exp(-0.5 * w * w),
    "rectangular": lambda w: np.sinc(w * (np.sqrt(3.0) / np.pi)),
    "resolution": lambda w: np.sinc(w * (np.sqrt(3.0) / np.pi)),
    "triangular": lambda w: np.sinc(w * (np.sqrt(1.5) / np.pi)) ** 2,
    "arcsine": lambda w: np.cos(np.outer(w, np.sqrt(2.0) * np.sin(_QUARTER))).mean(axis=1),
    "two-point": np.cos,
    "product": lambda w: np.sum(np.sinc(np.outer(w, 3.0 / np.pi * _NODES)) * _WEIGHTS, axis=1),
}
"""Characteristic functions of the laws of a budget, each of standard deviation 1."""


def half_width(parts: Sequence[tuple[str, float]], probability: float = 0.95) -> float:
    """Half the width of the interval about zero that holds ``probability`` of a sum.

    ``parts``: (law, standard deviation) of independent sources; in units of the
    sum's standard deviation, so 1.96 for normal ones.
    """
    series = _series(parts)
    frequencies = _FREQUENCIES[: series.size]

    def value_and_slope(x: float) -> tuple[float, float]:
        held = x / HALF_PERIOD + 2.0 / np.pi * float(series @ np.sin(frequencies * x))
        waves = float((series * frequencies) @ np.cos(frequencies * x))
        return held - probability, 1.0 / HALF_PERIOD + 2.0 / np.pi * waves

    return rising_root(value_and_slope, 0.0, HALF_PERIOD)


def _series(parts: Sequence[tuple[str, float]]) -> Array:
    """Coefficients of the density's series, each over its number as its integral needs them.

    As many as are not negligible: the widest law first, for it ends the series soonest.
    """
    total = float(np.sqrt(sum(deviation**2 for _, deviation in parts)))
    product = LAWS["normal"](_SMOOTH * _FREQUENCIES)
    for law, deviation in sorted(parts, key=lambda part: -part[1]):
        if deviation > 0.0:
            product = product * LAWS[law](_FREQUENCIES[: product.size] * (deviation / total))
            product = product[: 1 + int(np.flatnonzero(np.abs(product) > _NEGLIGIBLE)[-1])]
    return np.asarray(product / np.arange(1, product.size + 1))
