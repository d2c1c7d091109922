"""The moment of a mass about the axis as a vector, so that masses simply add.

M(θ) = -A sin(θ - θ_top) = -p sin θ + q cos θ with p = A cos θ_top and
q = A sin θ_top (statics; addition theorem).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class GravityMoment:
    """Torque of masses that turn with the arm, extension positive; ``p`` and ``q`` in N·m."""

    p: float
    q: float

    @classmethod
    def from_top(cls, moment_nm: float, top_degrees: float) -> GravityMoment:
        """From m g d and the top dead centre; a negative moment is one that pulls up."""
        top = math.radians(top_degrees)
        return cls(moment_nm * math.cos(top), moment_nm * math.sin(top))

    @property
    def amplitude_nm(self) -> float:
        """m g d."""
        return math.hypot(self.p, self.q)

    @property
    def top_degrees(self) -> float:
        """Top dead centre: where the mass stands straight above the axis."""
        return math.degrees(math.atan2(self.q, self.p))

    def torque(self, angle_degrees: ArrayLike) -> Array:
        """Torque in N·m at angles (n)."""
        return np.asarray(self.rows(angle_degrees) @ np.array([self.p, self.q]))

    @staticmethod
    def rows(angle_degrees: ArrayLike) -> Array:
        """Rows (n, 2) of the derivatives of the torque by p and q."""
        angle = np.radians(np.atleast_1d(np.asarray(angle_degrees, np.float64)))
        return np.column_stack([-np.sin(angle), np.cos(angle)])

    def __add__(self, other: GravityMoment) -> GravityMoment:
        return GravityMoment(self.p + other.p, self.q + other.q)

    def __sub__(self, other: GravityMoment) -> GravityMoment:
        return GravityMoment(self.p - other.p, self.q - other.q)
