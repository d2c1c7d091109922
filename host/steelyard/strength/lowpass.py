"""Zero-phase Butterworth low-pass: the gain of a filter run forward and backward.

Run twice, a Butterworth filter has |H|² as its gain, so its cut-off would drop
to half power twice over.  The design frequency is therefore raised by
C = (2^(1/2) - 1)^(1/(2N)) (Winter, Biomechanics and Motor Control of Human
Movement, 4th ed., p. 69, for N = 2: 0.802), on the pre-warped scale
tan(π f / fs), which makes the gain at the wanted cut-off 1/√2 exactly.

Why in the frequency domain: zero phase by construction, no loop over samples,
and the same answer as two passes but within a few periods of the ends.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.errors import AnalysisError

Array = NDArray[np.float64]

PASSES: Final = 2
_SETTLING_PERIODS: Final = 3.0


def design_frequency_hz(cutoff_hz: float, rate_hz: float, order: int = 2) -> float:
    """Frequency to design one pass for, so that two passes have their -3 dB at ``cutoff_hz``.

    Raises AnalysisError when the cut-off does not lie below half the rate.
    """
    if not 0.0 < cutoff_hz < 0.5 * rate_hz:
        raise AnalysisError(
            f"A cut-off of {cutoff_hz:g} Hz cannot be had from {rate_hz:g} samples/s.",
            "It must lie above 0 and below half the rate.",
        )
    correction = (2.0 ** (1.0 / PASSES) - 1.0) ** (1.0 / (2 * order))
    warped = math.tan(math.pi * cutoff_hz / rate_hz) / correction
    return rate_hz / math.pi * math.atan(warped)


def gain(frequency_hz: Array, cutoff_hz: float, rate_hz: float, order: int = 2) -> Array:
    """Gain of the filter at frequencies (n) up to half the rate."""
    design = math.tan(math.pi * design_frequency_hz(cutoff_hz, rate_hz, order) / rate_hz)
    below = np.minimum(np.asarray(frequency_hz, np.float64), 0.4999999 * rate_hz)
    ratio = np.tan(math.pi * below / rate_hz) / design
    return np.asarray(1.0 / (1.0 + ratio ** (2 * order)))


def low_pass(values: Array, cutoff_hz: float, rate_hz: float, order: int = 2) -> Array:
    """Filter ``values`` (n), evenly spaced; not-a-number stays, and each run is filtered alone."""
    result = np.full(len(values), np.nan)
    for run in finite_runs(values):
        result[run] = _filtered(values[run], cutoff_hz, rate_hz, order)
    return result


def finite_runs(values: Array) -> list[slice]:
    """Stretches without not-a-number."""
    return true_runs(np.isfinite(values))


def true_runs(chosen: NDArray[np.bool_]) -> list[slice]:
    """Stretches of ``True``."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], chosen.astype(np.int8), [0]])))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _filtered(values: Array, cutoff_hz: float, rate_hz: float, order: int) -> Array:
    count = len(values)
    if count < 2:
        return values.copy()
    pad = min(count - 1, math.ceil(_SETTLING_PERIODS * rate_hz / cutoff_hz))
    # Odd reflection: value and slope go on across the ends.
    before = 2.0 * values[0] - values[pad:0:-1]
    after = 2.0 * values[-1] - values[-2 : -pad - 2 : -1]
    longer = np.concatenate([before, values, after])
    # A straight line passes a low-pass unchanged; without it both ends are zero and meet.
    line = np.linspace(longer[0], longer[-1], len(longer))
    size = 1 << (len(longer) - 1).bit_length()
    spectrum = np.fft.rfft(longer - line, size)
    spectrum *= gain(
        np.fft.rfftfreq(size, 1.0 / rate_hz).astype(np.float64), cutoff_hz, rate_hz, order
    )
    smooth = np.fft.irfft(spectrum, size)[: len(longer)] + line
    return np.asarray(smooth[pad : pad + count])
