"""Weights that a technician hangs from a load cell: they swing, then hang still."""

from __future__ import annotations

import math
import random
from typing import Final

AIR_DENSITY: Final = 1.2
WEIGHT_DENSITY: Final = 8000.0
"""kg/m^3, the conventional values of OIML R 111."""
SWING_HZ: Final = 0.9
SWING_DECAY_SECONDS: Final = 1.2
PLACING_SECONDS: Final = 0.25


class HangingWeights:
    """The force of what hangs: m g, less the air's lift, with the swing after each change."""

    def __init__(self, gravity_m_s2: float, source: random.Random) -> None:
        self.mass_kg = 0.0
        self.gravity_m_s2 = gravity_m_s2
        self._source = source
        self._target_newtons = 0.0
        self._newtons = 0.0
        self._swing_newtons = 0.0
        self._since_seconds = 0.0

    def still_newtons(self, mass_kg: float) -> float:
        """Force in N of a mass that hangs still: m g (1 - air density / density)."""
        return mass_kg * self.gravity_m_s2 * (1.0 - AIR_DENSITY / WEIGHT_DENSITY)

    def hang(self, mass_kg: float, share: float = 1.0) -> None:
        """Hang so much in all; ``share`` of its weight reaches the cell (a lever)."""
        before = self._target_newtons
        self.mass_kg = mass_kg
        self._target_newtons = share * self.still_newtons(mass_kg)
        change = abs(self._target_newtons - before)
        self._swing_newtons = 0.04 * change * self._source.uniform(0.5, 1.5)
        self._since_seconds = 0.0

    def update(self, step_seconds: float) -> float:
        """Move on by a time step; returns the force in N on the cell."""
        self._since_seconds += step_seconds
        since = self._since_seconds
        self._newtons += (self._target_newtons - self._newtons) * step_seconds / PLACING_SECONDS
        swing = self._swing_newtons * math.exp(-since / SWING_DECAY_SECONDS)
        return self._newtons + swing * math.sin(2.0 * math.pi * SWING_HZ * since)
