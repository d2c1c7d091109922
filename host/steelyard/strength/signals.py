"""A session as evenly spaced torque and angle: what all analysis stands on.

Samples come at the converter's own rate and with gaps.  They are put on one
grid of 80 points a second, so that nothing further on depends on that rate, on
the order in which bytes arrived or on how they were cut.  Where samples are
missing or unsound the grid says not-a-number; only what the converter's own
settling covers anyway is bridged.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.strength.lowpass import low_pass, true_runs
from steelyard.strength.measured import Statement
from steelyard.strength.torque_scale import TorqueUncertainty

Array = NDArray[np.float64]

GRID_HZ: Final = 80.0
SETTLING_CONVERSIONS: Final = 4
"""Of the HX711 (its data sheet, Table 2)."""
GAP_PERIODS: Final = 1.6
"""Two samples further apart than so many periods have one missing between them."""
BRIDGED_PERIODS: Final = SETTLING_CONVERSIONS - 0.4
"""Up to two missing samples are bridged: the converter spreads every moment over four
conversions, so nothing can have hidden between them."""
SHORT_GAP_SECONDS: Final = 0.15
"""A gap no longer than this (a disturbed conversion and the four it takes to settle) costs
the windows that touch it; a longer one costs the figure."""


@dataclass(frozen=True)
class Signals:
    """Columns of shape (n,) on the grid; not-a-number where there is no sound sample.

    ``torque`` in N·m on the load cell, weights of body and arm included;
    ``degrees`` of the arm; ``roller_degrees`` None without such a channel.
    ``resolvable_seconds`` is the shortest rise that sampling shows truly.
    """

    seconds: Array
    torque: Array
    degrees: Array
    roller_degrees: Array | None
    uncertainty: TorqueUncertainty
    angle_standard_uncertainty: float
    angle_periodic_degrees: float
    resolvable_seconds: float
    extrapolated: NDArray[np.bool_]
    saturated: NDArray[np.bool_]
    statements: tuple[Statement, ...] = ()
    _smooth: dict[str, Array] = field(default_factory=dict, repr=False, compare=False)

    def __len__(self) -> int:
        return len(self.seconds)

    def between(self, start: float, end: float) -> slice:
        """The grid points from ``start`` to ``end`` seconds."""
        first, last = np.searchsorted(self.seconds, [start, end])
        return slice(int(first), int(last))

    def whole(self, start: float, end: float) -> bool:
        """Whether not one sample of torque or angle is missing between two times."""
        part = self.between(start, end)
        return bool(np.isfinite(self.torque[part]).all() and np.isfinite(self.degrees[part]).all())

    @property
    def bridged_torque(self) -> Array:
        """Torque with short gaps filled by straight lines: for sums over a whole phase only."""
        if "bridged" not in self._smooth:
            self._smooth["bridged"] = _bridged(self.torque)
        return self._smooth["bridged"]

    @property
    def smooth_degrees(self) -> Array:
        """Angle below 3 Hz: what an arm with a body on it can follow, without sensor noise."""
        if "degrees" not in self._smooth:
            self._smooth["degrees"] = low_pass(self.degrees, 3.0, GRID_HZ)
        return self._smooth["degrees"]

    @property
    def quick_degrees(self) -> Array:
        """Angle below 6 Hz: for repetitions, which may be done too fast (Winter, ch. 3)."""
        if "quick" not in self._smooth:
            self._smooth["quick"] = low_pass(self.degrees, 6.0, GRID_HZ)
        return self._smooth["quick"]

    @property
    def speed(self) -> Array:
        """Angular speed in degrees/s, flexing positive, from ``smooth_degrees``."""
        if "speed" not in self._smooth:
            smooth = self.smooth_degrees
            self._smooth["speed"] = (
                np.gradient(smooth, 1.0 / GRID_HZ) if len(smooth) > 1 else np.zeros(len(smooth))
            )
        return self._smooth["speed"]


def _bridged(values: Array) -> Array:
    filled = values.copy()
    longest = round(SHORT_GAP_SECONDS * GRID_HZ)
    for gap in true_runs(~np.isfinite(values)):
        inside = gap.start > 0 and gap.stop < len(values)
        if inside and gap.stop - gap.start <= longest:
            ends = filled[[gap.start - 1, gap.stop]]
            filled[gap] = np.linspace(ends[0], ends[1], gap.stop - gap.start + 2)[1:-1]
    return filled


def on_grid(grid: Array, seconds: Array, values: Array, period_seconds: float) -> Array:
    """``values`` (m) at ``seconds`` (m), rising, by straight lines at ``grid`` (n).

    Values that are not finite count as missing.  Not-a-number where the
    neighbours are too far apart.
    """
    sound = np.isfinite(values) & np.isfinite(seconds)
    seconds, values = seconds[sound], values[sound]
    if len(seconds) < 2:
        return np.full(len(grid), np.nan)
    right = np.clip(np.searchsorted(seconds, grid, side="right"), 1, len(seconds) - 1)
    left = right - 1
    apart = seconds[right] - seconds[left]
    share = (grid - seconds[left]) / np.where(apart > 0.0, apart, 1.0)
    found = values[left] + share * (values[right] - values[left])
    good = (apart <= BRIDGED_PERIODS * period_seconds) & (share >= -1e-9) & (share <= 1.0 + 1e-9)
    return np.where(good, found, np.nan)
