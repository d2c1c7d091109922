"""Signals made by formula, for what needs no client."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from steelyard.strength.signals import GRID_HZ, Signals
from steelyard.strength.torque_scale import TorqueUncertainty

Array = NDArray[np.float64]


def uncertainty(relative: float = 0.002, zero_nm: float = 0.1) -> TorqueUncertainty:
    torque = np.linspace(-600.0, 600.0, 121)
    change = np.abs(relative * torque)
    return TorqueUncertainty(torque, np.hypot(change, zero_nm), change)


def signals(degrees: Array, torque: Array | None = None, roller: Array | None = None) -> Signals:
    count = len(degrees)
    none = np.zeros(count, np.bool_)
    return Signals(
        np.arange(count) / GRID_HZ,
        np.zeros(count) if torque is None else torque,
        np.asarray(degrees, np.float64),
        roller,
        uncertainty(),
        0.2,
        0.25,
        0.1,
        none,
        none.copy(),
    )


def hold(degrees: float, seconds: float) -> Array:
    return np.full(round(seconds * GRID_HZ), degrees)


def course(start: float, end: float, seconds: float) -> Array:
    """Minimum-jerk course between two angles."""
    share = np.linspace(0.0, 1.0, round(seconds * GRID_HZ))
    return np.asarray(start + (end - start) * share**3 * (10 - 15 * share + 6 * share**2))


def line(start: float, end: float, seconds: float) -> Array:
    return np.linspace(start, end, round(seconds * GRID_HZ))


def swell(height: float, rise: float, held: float, fall: float) -> Array:
    """Smooth rise, hold and fall."""
    up = np.linspace(0.0, 1.0, round(rise * GRID_HZ))
    down = np.linspace(1.0, 0.0, round(fall * GRID_HZ))
    smooth = np.concatenate([up, np.ones(round(held * GRID_HZ)), down])
    return np.asarray(height * smooth**2 * (3.0 - 2.0 * smooth))
