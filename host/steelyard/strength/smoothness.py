"""Smoothness of a movement: spectral arc length, and log dimensionless jerk.

Spectral arc length: Balasubramanian, Melendez-Calderon, Roby-Brami and Burdet
2015, On the analysis of movement smoothness, J NeuroEng Rehabil 12:112.  The
length of the normalised amplitude spectrum of speed, negative: the closer to
zero, the smoother.  It depends neither on size nor on duration, and little on
noise, so it is the one reported.

Log dimensionless jerk: Hogan and Sternad 2009, J Mot Behav 41(6):529-534.
For a minimum-jerk movement it has a closed form, -ln(720 / 1.875²), but sensor
noise swamps it; it is here for comparison.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CUTOFF_HZ: Final = 10.0
AMPLITUDE_THRESHOLD: Final = 0.05
_PADDING: Final = 4


def spectral_arc_length(speed: Array, rate_hz: float) -> float:
    """Spectral arc length of a speed profile (n), from rest to rest; not-a-number if there is none.

    Frequencies up to 10 Hz, and no further than where the amplitude stays
    below 0.05 of its largest (the paper's parameters).
    """
    if len(speed) < 4 or not np.isfinite(speed).all():
        return math.nan
    size = 1 << (math.ceil(math.log2(len(speed))) + _PADDING)
    amplitude = np.abs(np.fft.rfft(speed, size))
    if amplitude.max() <= 0.0:
        return math.nan
    amplitude = amplitude / amplitude.max()
    frequency = np.fft.rfftfreq(size, 1.0 / rate_hz)
    inside = frequency <= CUTOFF_HZ
    amplitude, frequency = amplitude[inside], frequency[inside]
    last = int(np.flatnonzero(amplitude >= AMPLITUDE_THRESHOLD)[-1])
    amplitude, frequency = amplitude[: last + 1], frequency[: last + 1]
    if last < 1:
        return math.nan
    steps = np.diff(frequency) / (frequency[-1] - frequency[0])
    return -float(np.sum(np.hypot(steps, np.diff(amplitude))))


def log_dimensionless_jerk(speed: Array, rate_hz: float) -> float:
    """-ln of ∫ jerk² dt · T³ / (peak speed)², for a speed profile (n) from rest to rest."""
    if len(speed) < 4 or not np.isfinite(speed).all() or float(np.abs(speed).max()) == 0.0:
        return math.nan
    jerk = np.gradient(np.gradient(speed, 1.0 / rate_hz), 1.0 / rate_hz)
    seconds = (len(speed) - 1) / rate_hz
    square = float(np.trapezoid(jerk * jerk, dx=1.0 / rate_hz))
    return -math.log(square * seconds**3 / float(np.abs(speed).max()) ** 2)


def deepest_dip(speed: Array) -> float:
    """How far speed falls and recovers in between, as a share of its peak: 0 for one smooth hump.

    ``speed`` (n) along the movement.
    """
    peak = float(speed.max()) if len(speed) else 0.0
    if peak <= 0.0:
        return 0.0
    from_left = np.maximum.accumulate(speed)
    from_right = np.maximum.accumulate(speed[::-1])[::-1]
    return float(np.max(np.minimum(from_left, from_right) - speed)) / peak
