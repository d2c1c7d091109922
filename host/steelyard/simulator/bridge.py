"""A load cell with known faults: force in, bridge ratio out.

The truth is an open, immutable record, so that a test can compare what a
calibration found with what was there.

Sources of the shapes: hysteresis as a sum of play operators (Prandtl-Ishlinskii
model, a textbook construction), creep as two first-order lags; sizes as common
for cells of accuracy class C3 (common practice, no source).
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Final

COUNTS_PER_GAIN_AND_RATIO: Final = float(1 << 24)
"""HX711: counts = gain * (input / supply) * 2**24 (its data sheet: full scale is
half the supply over the gain, at 2**23 counts)."""

_PLAY_WIDTHS: Final = (0.02, 0.05, 0.12, 0.25)


@dataclass(frozen=True)
class LoadCellTruth:
    """What one load cell really is.

    Output in steady state, without creep, hysteresis and drift, with
    f = force / rated_newtons::

        ratio = zero + sensitivity * (f + nonlinearity * 4 * f * (1 - |f|))

    ``sensitivity_mv_per_v`` and ``zero_mv_per_v`` in mV/V; the others are
    fractions of the rated output: ``nonlinearity`` at half load, ``hysteresis``
    the widest opening of a full loop, ``creep`` the final creep of a held load
    (a third of it after 30 s, the rest after 300 s).  ``drift_mv_per_v`` is the
    RMS wander of zero in an hour.
    """

    rated_newtons: float
    sensitivity_mv_per_v: float
    zero_mv_per_v: float
    nonlinearity: float
    hysteresis: float
    creep: float
    drift_mv_per_v: float

    def ratio(self, force_newtons: float) -> float:
        """Return the steady output over excitation (V/V) under a force in N."""
        f = force_newtons / self.rated_newtons
        shape = f + self.nonlinearity * 4.0 * f * (1.0 - abs(f))
        return 1e-3 * (self.zero_mv_per_v + self.sensitivity_mv_per_v * shape)

    def counts(self, force_newtons: float, gain: int = 128) -> float:
        """Return the noiseless HX711 counts under a force in N, not clipped."""
        return self.ratio(force_newtons) * gain * COUNTS_PER_GAIN_AND_RATIO

    def force_newtons(self, counts: float, gain: int = 128) -> float:
        """Return the force in N that gives these counts: the inverse of ``counts``."""
        ratio_mv = 1e3 * counts / (gain * COUNTS_PER_GAIN_AND_RATIO)
        shape = (ratio_mv - self.zero_mv_per_v) / self.sensitivity_mv_per_v
        f = shape
        for _ in range(30):  # the curve is nearly straight: this shrinks 250-fold a round
            f = shape - self.nonlinearity * 4.0 * f * (1.0 - abs(f))
        return f * self.rated_newtons

    def counts_per_newton(self, gain: int = 128) -> float:
        """Return the mean slope from zero to the rated force, in counts/N."""
        return (self.counts(self.rated_newtons, gain) - self.counts(0.0, gain)) / self.rated_newtons


def draw_load_cell(rated_newtons: float, source: random.Random) -> LoadCellTruth:
    """Draw one cell from the shelf: nominally 2 mV/V, each a little different."""
    return LoadCellTruth(
        rated_newtons=rated_newtons,
        sensitivity_mv_per_v=source.gauss(2.0, 0.004),
        zero_mv_per_v=source.gauss(0.0, 0.01),
        nonlinearity=source.gauss(0.0, 0.00015),
        hysteresis=abs(source.gauss(0.0002, 0.00005)),
        creep=abs(source.gauss(0.00015, 0.00005)),
        drift_mv_per_v=0.0001,
    )


class LoadCell:
    """One load cell in time."""

    def __init__(self, truth: LoadCellTruth, source: random.Random) -> None:
        self.truth = truth
        self._source = source
        self._plays = [0.0] * len(_PLAY_WIDTHS)
        # Equal parts: each fully crossed play opens the loop by 2 * weight * width.
        self._weights = [
            truth.hysteresis / (2 * len(_PLAY_WIDTHS) * width) for width in _PLAY_WIDTHS
        ]
        self._creep_fast = 0.0
        self._creep_slow = 0.0
        self._drift = 0.0

    def update(self, force_newtons: float, step_seconds: float) -> float:
        """Move on by a time step under a force in N; returns output over excitation (V/V)."""
        truth = self.truth
        f = force_newtons / truth.rated_newtons
        lag = self._hysteresis(f)
        self._creep_fast += (f - self._creep_fast) * step_seconds / 30.0
        self._creep_slow += (f - self._creep_slow) * step_seconds / 300.0
        self._drift += self._source.gauss(0.0, math.sqrt(step_seconds / 3600.0))
        creep = truth.creep * (self._creep_fast + 2.0 * self._creep_slow) / 3.0
        return truth.ratio(force_newtons) + 1e-3 * (
            truth.sensitivity_mv_per_v * (lag + creep) + truth.drift_mv_per_v * self._drift
        )

    def _hysteresis(self, f: float) -> float:
        plays = self._plays
        lag = 0.0
        for index, width in enumerate(_PLAY_WIDTHS):
            play = plays[index]
            if f - play > width:
                plays[index] = play = f - width
            elif play - f > width:
                plays[index] = play = f + width
            lag += self._weights[index] * (play - f)
        return lag
