"""What calibrated values mean, and how counts become them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple, TypeAlias

from steelyard.calibration import AnyCalibration, ForceCalibration, TorqueCalibration


class Quantity(NamedTuple):
    """What values mean: names of the two keys in a sample, and their unit."""

    name: str
    key: str
    uncertainty_key: str
    unit: str


FORCE: Final = Quantity("force", "force_newtons", "force_standard_uncertainty_newtons", "N")
TORQUE: Final = Quantity(
    "torque", "torque_newton_metres", "torque_standard_uncertainty_newton_metres", "N.m"
)
ANGLE: Final = Quantity("angle", "angle_degrees", "angle_standard_uncertainty_degrees", "deg")
JOINT_ANGLE: Final = Quantity(
    "joint_angle", "joint_angle_degrees", "joint_angle_standard_uncertainty_degrees", "deg"
)
QUANTITIES: Final = (FORCE, TORQUE, ANGLE, JOINT_ANGLE)

Value: TypeAlias = tuple[float, float, bool]
"""Value and standard uncertainty (k = 1) of one sample; whether outside what was calibrated."""


def quantity_of(calibration: AnyCalibration) -> Quantity:
    """What a calibration gives."""
    if isinstance(calibration, ForceCalibration):
        return FORCE
    return TORQUE if isinstance(calibration, TorqueCalibration) else ANGLE


@dataclass(frozen=True)
class Scale:
    """A calibration in force on a channel."""

    calibration: AnyCalibration
    age_days: float

    @property
    def quantity(self) -> Quantity:
        """What the values are."""
        return quantity_of(self.calibration)

    def values(self, counts: Sequence[int]) -> list[Value]:
        """Value, standard uncertainty and whether extrapolated, for each of the counts (n)."""
        calibration = self.calibration
        if isinstance(calibration, ForceCalibration):
            force = calibration.force(counts, age_days=self.age_days)
            columns = (force.force_newtons, force.standard_uncertainty_newtons, force.extrapolated)
        elif isinstance(calibration, TorqueCalibration):
            torque = calibration.torque(counts, age_days=self.age_days)
            columns = (
                torque.torque_newton_metres,
                torque.standard_uncertainty_newton_metres,
                torque.extrapolated,
            )
        else:
            angle = calibration.angle(counts)
            columns = (
                angle.angle_degrees,
                angle.standard_uncertainty_degrees,
                angle.extrapolated,
            )
        return list(zip(*(column.tolist() for column in columns), strict=True))
