"""Torque and angle of the last moments at a station: is the client still, relaxed, pushing?

Only guides: figures come from ``strength`` afterwards.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.guidance.live_signals import LiveSignals
from steelyard.strength.effort import RELAXED_SECONDS
from steelyard.strength.isometric import least_effort_nm
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.movement import STILL_DEGREES_PER_SECOND

Array = NDArray[np.float64]

MOMENT_SECONDS: Final = 0.1
AWAY_DEGREES: Final = 5.0
GAVE_WAY_SHARE: Final = 0.5
GAVE_WAY_SECONDS: Final = 0.3
OVER_SHARE: Final = 0.1
OVER_SECONDS: Final = 1.0
_SLOPE_SECONDS: Final = 0.5


class EffortWatch:
    """``relaxed_nm`` None until it was quiet; ``net_nm`` is torque less that."""

    def __init__(self, profile: MachineProfile) -> None:
        self.relaxed_nm: float | None = None
        self.degrees: float | None = None
        self.torque_nm: float | None = None
        self.still_seconds = 0.0
        self._least_nm = least_effort_nm(profile)
        self._quiet_nm = profile.relaxed_scatter_nm
        self._seconds = 0.0
        self._window: Array = np.empty(0)
        self.reset()

    def reset(self) -> None:
        """Forget the effort; the relaxed torque too."""
        self.relaxed_nm = None
        self.begin()

    def begin(self) -> None:
        """A new effort may come."""
        self.highest_nm = 0.0
        self.onset_seconds: float | None = None
        self._low_since: float | None = None
        self._over_since: float | None = None

    def look(self, live: LiveSignals) -> None:
        """Take in the latest samples."""
        times, torque, degrees = live.recent(_SLOPE_SECONDS)
        if not len(times):
            return
        step, self._seconds = float(times[-1]) - self._seconds, float(times[-1])
        self._follow_angle(times, degrees, step)
        moment = torque[times > times[-1] - MOMENT_SECONDS]
        known = moment[np.isfinite(moment)]
        self.torque_nm = float(np.mean(known)) if len(known) else None
        self._window = live.recent(RELAXED_SECONDS)[1]
        if self.relaxed_nm is None:
            self._settled()
        self._follow_torque()

    def _follow_angle(self, times: Array, degrees: Array, step: float) -> None:
        known = np.isfinite(degrees)
        if known.sum() < 8:
            self.degrees, self.still_seconds = None, 0.0
            return
        self.degrees = float(np.median(degrees[known][-10:]))
        half = len(times) // 2
        moved = float(np.nanmean(degrees[half:]) - np.nanmean(degrees[:half]))
        still = abs(moved) < STILL_DEGREES_PER_SECOND * _SLOPE_SECONDS / 2.0
        self.still_seconds = self.still_seconds + max(0.0, step) if still else 0.0

    def _follow_torque(self) -> None:
        net, now = self.net_nm, self._seconds
        if net is None:
            return
        if self.onset_seconds is None and net > self._least_nm:
            self.onset_seconds = now
        if self.onset_seconds is None:
            return
        self.highest_nm = max(self.highest_nm, net)
        low, over = net < GAVE_WAY_SHARE * self.highest_nm, net < OVER_SHARE * self.highest_nm
        self._low_since = (self._low_since or now) if low else None
        over = over or net < 0.3 * self._least_nm
        self._over_since = (self._over_since or now) if over else None

    def _settled(self) -> bool:
        window = self._window
        if len(window) < 40 or not np.isfinite(window).all():
            return False
        if float(np.std(window)) > self._quiet_nm:
            return False
        self.relaxed_nm = float(np.mean(window))
        return True

    def settle(self) -> bool:
        """Take the last second and a half as relaxed, if it was quiet."""
        return not self.pushing and self._settled()

    @property
    def net_nm(self) -> float | None:
        """Torque now, relaxed torque taken off."""
        if self.torque_nm is None or self.relaxed_nm is None:
            return None
        return self.torque_nm - self.relaxed_nm

    @property
    def pushing(self) -> bool:
        """Whether somebody pushes now."""
        return self.net_nm is not None and self.net_nm > self._least_nm

    @property
    def pushed(self) -> bool:
        """Whether somebody has pushed."""
        return self.onset_seconds is not None

    @property
    def pushed_seconds(self) -> float:
        """How long ago that began."""
        return 0.0 if self.onset_seconds is None else self._seconds - self.onset_seconds

    @property
    def gave_way(self) -> bool:
        """The push fell below half of its highest for a moment."""
        return self._low_since is not None and self._seconds - self._low_since > GAVE_WAY_SECONDS

    @property
    def is_over(self) -> bool:
        """The push ended a second ago."""
        return self._over_since is not None and self._seconds - self._over_since > OVER_SECONDS

    def moved_away(self, station_degrees: float) -> bool:
        """Whether the arm was taken from the station."""
        return self.degrees is not None and abs(self.degrees - station_degrees) > AWAY_DEGREES
