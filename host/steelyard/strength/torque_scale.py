"""From raw counts of the load channel to torque, and how well torque is known.

Two uncertainties matter.  That of a value includes the zero of the load cell;
that of a change, from relaxed to effort, does not, because the relaxed reading
a moment before is the zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steelyard.calibration import ForceCalibration, TorqueCalibration, Zeroing
from steelyard.strength.arm_torque import MomentArm

Array = NDArray[np.float64]

_STEPS = 60


@dataclass(frozen=True)
class TorqueUncertainty:
    """Standard uncertainty in N·m at rising torques (n), for values and for changes."""

    torque_newton_metres: Array
    of_value: Array
    of_change: Array

    def value(self, torque: float) -> float:
        """Of a torque as it stands."""
        return float(np.interp(torque, self.torque_newton_metres, self.of_value))

    def change(self, torque: float) -> float:
        """Of a change of torque of this size since a moment ago."""
        return float(np.interp(torque, self.torque_newton_metres, self.of_change))


@dataclass(frozen=True)
class TorqueScale:
    """``convert``: counts (n) to torque in N·m (n) and whether beyond the calibrated range (n)."""

    convert: Callable[[Array], tuple[Array, NDArray[np.bool_]]]
    uncertainty: TorqueUncertainty
    calibration_id: str


def force_scale(
    calibration: ForceCalibration, arm: MomentArm, age_days: float = 0.0
) -> TorqueScale:
    """Scale of a channel calibrated in newtons: T = F r, with u(r) (GUM 5.1.2)."""
    model, metres = calibration.model, arm.length_metres

    def convert(counts: Array) -> tuple[Array, NDArray[np.bool_]]:
        force = model.curve.force(counts)
        return force * metres, model.outside(force)

    low, high = model.curve.low_newtons, model.curve.high_newtons
    force = np.linspace(low - 0.2 * (high - low), high + 0.5 * (high - low), _STEPS)
    counts = model.curve.counts(force)
    spreads = []
    for zero in (None, Zeroing(0.0, 0.0, "")):
        readings = calibration.force(
            counts, zero=zero, counts_standard_error=0.0, age_days=age_days
        )
        spreads.append(
            np.hypot(
                metres * readings.standard_uncertainty_newtons,
                force * arm.standard_uncertainty_metres,
            )
        )
    table = TorqueUncertainty(force * metres, spreads[0], spreads[1])
    return TorqueScale(convert, table, calibration.calibration_id)


def torque_scale(calibration: TorqueCalibration, age_days: float = 0.0) -> TorqueScale:
    """Scale of a channel calibrated in newton-metres by weights on the arm."""
    length = calibration.arm.metres
    arm = MomentArm(length, calibration.arm.relative_uncertainty * length)
    made = force_scale(calibration.pull, arm, age_days)
    return TorqueScale(made.convert, made.uncertainty, calibration.calibration_id)
