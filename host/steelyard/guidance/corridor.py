"""The way a repetition should take: the prescribed tempo over the client's own range.

A smooth way between two rests is that of least jerk (Flash and Hogan 1985,
J Neurosci 5:1688-1703).  The corridor lets time be off by what the prescription
calls rushed, both ways, and the range by what it calls short.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.guidance.views import CorridorView
from steelyard.strength.form_faults import Prescription

Array = NDArray[np.float64]

TURN_SECONDS: Final = 1.0
POINTS: Final = 41
FREE_RATIO: Final = 0.06
"""Of the range, by which the arm may always be off."""
_SHARES: Final = np.linspace(0.0, 1.0, 201)


def way_done(share_of_time: Array) -> Array:
    """Share of the way (n) after shares of the time (n)."""
    share = np.clip(share_of_time, 0.0, 1.0)
    return np.asarray(share**3 * (10.0 - 15.0 * share + 6.0 * share * share))


_WAY: Final = way_done(_SHARES)


def time_for(share_of_way: float) -> float:
    """Share of the time after which a share of the way is done."""
    return float(np.interp(share_of_way, _WAY, _SHARES))


@dataclass(frozen=True)
class Corridor:
    """From the flexed end to the extended one and back; angles in degrees."""

    extended: float
    flexed: float
    asked: Prescription
    load_nm: tuple[float, float] | None = None
    _columns: tuple[tuple[float, ...], ...] = field(default=(), compare=False)

    def view(self, now_seconds: float | None) -> CorridorView:
        """With the place on it where this repetition is."""
        seconds, low, high = self._columns or self._made()
        return CorridorView(seconds, low, high, now_seconds, self.load_nm)

    def _made(self) -> tuple[tuple[float, ...], ...]:
        asked = self.asked
        turn = asked.concentric_seconds + TURN_SECONDS
        seconds = np.linspace(0.0, turn + asked.eccentric_seconds, POINTS)
        slack = FREE_RATIO * (self.flexed - self.extended)
        early, late = asked.rushed_ratio, 2.0 - asked.rushed_ratio
        ahead_up = self._way(seconds / (early * asked.concentric_seconds))
        behind_up = self._way(seconds / (late * asked.concentric_seconds))
        down = seconds - turn
        ahead_down = self._way(1.0 - down / (early * asked.eccentric_seconds))
        behind_down = self._way(1.0 - down / (late * asked.eccentric_seconds))
        low = np.where(seconds < turn, ahead_up, behind_down) - slack
        high = np.where(seconds < turn, behind_up, ahead_down) + slack
        columns = tuple(tuple(part.tolist()) for part in (seconds, low, high))
        object.__setattr__(self, "_columns", columns)
        return columns

    def _way(self, share: Array) -> Array:
        return self.flexed - (self.flexed - self.extended) * way_done(share)
