"""Where a rising function passes zero: Newton's steps, kept between two bounds."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

_STEPS: Final = 200
_CLOSE: Final = 1e-11
"""Size of a last step, as a share of the width first given: Newton's next would be of the order
of its square."""


def rising_root(
    value_and_slope: Callable[[float], tuple[float, float]], low: float, high: float
) -> float:
    """The zero of a function that is below zero at ``low`` and not below it at ``high``.

    A step that would leave the bounds, which close in on the zero from both
    sides, is replaced by their middle.
    """
    close = _CLOSE * (high - low)
    found = 0.5 * (low + high)
    for _ in range(_STEPS):
        value, slope = value_and_slope(found)
        low, high = (found, high) if value < 0.0 else (low, found)
        newton = found - value / slope if slope > 0.0 else high
        last, found = found, newton if low < newton < high else 0.5 * (low + high)
        if abs(found - last) <= close:
            break
    return found
