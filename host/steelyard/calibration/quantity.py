"""Force and torque calibrations looked at alike: a value, its unit, its budget.

Everything that is done with a calibration later (as found, daily check,
certificate) is the same for newtons and newton-metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from steelyard.calibration.force_calibration import ForceCalibration
from steelyard.calibration.least_squares import Array
from steelyard.calibration.lever import LeverArm
from steelyard.calibration.torque_calibration import TorqueCalibration
from steelyard.calibration.uncertainty import Budget
from steelyard.calibration.zeroing import Zeroing

LoadCalibration: TypeAlias = ForceCalibration | TorqueCalibration


@dataclass(frozen=True)
class Quantity:
    """A calibration as counts to values of one unit; ``per_newton`` is 1 or the arm in metres."""

    calibration: LoadCalibration
    force: ForceCalibration
    name: str
    unit: str
    per_newton: float
    arm: LeverArm | None = None

    @property
    def high(self) -> float:
        """Upper end of the calibrated range, in ``unit``."""
        return self.force.model.curve.high_newtons * self.per_newton

    @property
    def low(self) -> float:
        """Lower end of the calibrated range, in ``unit``."""
        return self.force.model.curve.low_newtons * self.per_newton

    @property
    def sensitivity(self) -> float:
        """Counts for one ``unit``, from end to end."""
        return self.force.model.sensitivity_counts_per_newton / self.per_newton

    def values(self, counts: ArrayLike, zero: Zeroing | None = None) -> Array:
        """Values (n) for ``counts`` (n)."""
        return np.asarray(self.force.force(counts, zero=zero).force_newtons * self.per_newton)

    def budget(
        self,
        value: float,
        *,
        zero: Zeroing | None = None,
        counts_standard_error: float | None = None,
        age_days: float = 0.0,
    ) -> Budget:
        """Uncertainty of one reading, line by line, in ``unit``."""
        return self.calibration.budget(
            value, zero=zero, counts_standard_error=counts_standard_error, age_days=age_days
        )


def quantity_of(calibration: LoadCalibration) -> Quantity:
    """See a calibration as a quantity."""
    if isinstance(calibration, TorqueCalibration):
        arm = calibration.arm
        return Quantity(calibration, calibration.pull, "torque", "N·m", arm.metres, arm)
    return Quantity(calibration, calibration, "force", "N", 1.0)
