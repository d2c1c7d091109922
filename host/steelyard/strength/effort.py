"""One isometric effort: what it came to, how it was made, and whether it counts.

Torque is that on the arm, less the relaxed torque just before, so body, arm,
counterweight and the zero of the load cell drop out.  Dry friction passes on
only what exceeds it (a play of its width): after a rise it hides between nothing
and its size, less the more the effort trembles, and the relaxed torque may be
off by its size either way.  Half of it is added; both stand in the uncertainty.

Windows: peak is the highest mean over 0.5 s, plateau the highest mean over 3 s
(common practice, no source); rise is the mean slope from onset, (T(t) - T(0))/t
(Aagaard et al. 2002 as quoted by Maffiuletti et al. 2016, Eur J Appl Physiol
116:1091-1116), over windows no shorter than sampling can resolve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.strength.measured import Measured, Statement
from steelyard.strength.signals import GRID_HZ

Array = NDArray[np.float64]

RELAXED_SECONDS: Final = 1.5
RELAXED_SEARCH_SECONDS: Final = 3.5
"""Relaxed torque is taken from the quietest ``RELAXED_SECONDS`` of so long before the onset."""
RELAXED_GAP_SECONDS: Final = 0.3


@dataclass(frozen=True)
class EffortLimits:
    """Windows, and what makes an effort not count (common practice, no source, but for windows).

    ``abrupt_seconds``: least time from 10 to 90 % of the peak.
    ``dip_ratio``: largest dip before the rise, as a share of the peak.
    ``held_seconds`` within ``held_ratio`` of the peak.  ``moved_degrees``: beyond
    what the lock gives.  ``repeat_ratio``: two efforts at a station may differ so much.
    """

    peak_seconds: float = 0.5
    plateau_seconds: float = 3.0
    rise_seconds: tuple[float, ...] = (0.1, 0.2, 0.3)
    abrupt_seconds: float = 0.4
    dip_ratio: float = 0.05
    held_seconds: float = 2.5
    held_ratio: float = 0.85
    moved_degrees: float = 1.5
    repeat_ratio: float = 0.10


@dataclass(frozen=True)
class Span:
    """Where an effort was found: onset and end, and its relaxed torque before."""

    onset_seconds: float
    end_seconds: float
    relaxed_nm: float
    relaxed_sd_nm: float
    relaxed_seconds: float


@dataclass(frozen=True)
class Effort:
    """One effort.  A figure is None where a statement says why it is not given.

    ``rise`` holds (window in s, N·m/s).  ``steadiness_percent`` is the standard
    deviation about a straight line in the plateau, over its mean.
    """

    span: Span
    degrees: Measured
    peak: Measured | None
    plateau: Measured | None
    peak_seconds: float | None
    rise_time_seconds: float | None
    rise: tuple[tuple[float, Measured], ...]
    steadiness_percent: float | None
    angle_change_degrees: float | None
    noise_nm: float
    common_standard_uncertainty: float
    """The part of the peak's uncertainty that all efforts of a session share: the calibration."""
    statements: tuple[Statement, ...]

    @property
    def time_to_peak_seconds(self) -> float | None:
        """From onset to the middle of the peak's window."""
        return None if self.peak_seconds is None else self.peak_seconds - self.span.onset_seconds

    @property
    def valid(self) -> bool:
        """Whether it counts."""
        return self.peak is not None and not any(one.spoils for one in self.statements)

    def with_statement(self, statement: Statement) -> Effort:
        """The same with one more thing to say."""
        return replace(self, statements=(*self.statements, statement))


def highest_mean(values: Array, window_seconds: float) -> tuple[int, float]:
    """First index and value of the highest mean over a window; not-a-number when there is none.

    Windows with not-a-number in them do not count.
    """
    width = max(1, round(window_seconds * GRID_HZ))
    if len(values) < width:
        return 0, math.nan
    known = np.isfinite(values)
    sums = np.cumsum(np.concatenate([[0.0], np.where(known, values, 0.0)]))
    counts = np.cumsum(np.concatenate([[0], known]))
    whole = counts[width:] - counts[:-width] == width
    if not whole.any():
        return 0, math.nan
    means = np.where(whole, (sums[width:] - sums[:-width]) / width, -np.inf)
    first = int(np.argmax(means))
    return first, float(means[first])
