"""The counterweight's moment per turn, measured on the empty machine with a known weight.

With nobody in the seat the load cell carries arm and counterweight.  At a fixed
angle its torque changes by b sin(θ - θ_top) with each turn; two angles or more
give b and θ_top.  A known weight hung on the arm scales the cell: the reading
it gives, against the torque it makes.

The counterweight is heavy: lock the arm, keep clear, hang the weight low.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steelyard.calibration.least_squares import solve
from steelyard.errors import AnalysisError
from steelyard.strength.balance import amplitude_of, top_of
from steelyard.strength.gravity_moment import GravityMoment
from steelyard.strength.measured import Measured


@dataclass(frozen=True)
class CrankReading:
    """Torque shown with the crank at ``turns`` and the arm at an angle."""

    turns: float
    angle_degrees: float
    torque_nm: float


@dataclass(frozen=True)
class KnownWeight:
    """Torque a known weight makes, and the change of torque shown when it was hung."""

    made: Measured
    shown_nm: float


def crank_moment(
    readings: Sequence[CrankReading], known: KnownWeight | None = None
) -> tuple[Measured, Measured]:
    """Moment per turn [N·m] and top dead centre [°] of the counterweight.

    Fits T = T0(θ) + n (b cos θ_top sin θ - b sin θ_top cos θ), with an unknown T0 for
    each angle.  Without a known weight the scale of the torque is taken as right.

    Raises AnalysisError when the readings do not determine it.
    """
    angles = sorted({reading.angle_degrees for reading in readings})
    if len(angles) < 2 or len(readings) < len(angles) + 3:
        raise AnalysisError(
            f"{len(readings)} readings at {len(angles)} angles do not determine the counterweight.",
            "Take at least three settings of the crank at each of two angles or more.",
        )
    rows = np.zeros((len(readings), 2 + len(angles)))
    torque = np.array([reading.torque_nm for reading in readings])
    for row, reading in zip(rows, readings, strict=True):
        # Positive b pulls up: the row of a moment with its sign changed.
        row[:2] = -reading.turns * GravityMoment.rows(reading.angle_degrees)[0]
        row[2 + angles.index(reading.angle_degrees)] = 1.0
    fit = solve(rows, torque)
    scale, of_scale = 1.0, 0.0
    if known is not None:
        if known.shown_nm <= 0.0:
            raise AnalysisError(
                f"The known weight changed the torque by {known.shown_nm:g} N·m.",
                "Hang it where it pulls the way a client pushes.",
            )
        scale = known.made.value / known.shown_nm
        of_scale = known.made.standard_uncertainty / known.made.value
    moment = GravityMoment(float(fit.estimates[0]) * scale, float(fit.estimates[1]) * scale)
    covariance = fit.covariance[:2, :2] * scale**2
    per_turn = amplitude_of(moment, covariance)
    top = top_of(moment, covariance)
    if top is None:
        raise AnalysisError(
            f"The crank changed the torque by {per_turn.value:.3g} N·m a turn at most: too little.",
            "Use settings further apart, and angles away from upright.",
        )
    spread = math.hypot(per_turn.standard_uncertainty, per_turn.value * of_scale)
    return Measured(per_turn.value, spread, "N·m"), top
