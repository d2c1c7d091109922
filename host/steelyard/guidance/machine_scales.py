"""How counts of one machine's channels become torque and angles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from steelyard.calibration import (
    AngleCalibration,
    AnyCalibration,
    ForceCalibration,
    TorqueCalibration,
)
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.recorded_signals import AngleScale, profile_angle
from steelyard.strength.torque_scale import (
    TorqueScale,
    TorqueUncertainty,
    force_scale,
    torque_scale,
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MachineScales:
    """``torque`` gives not-a-number throughout where ``calibrated`` is False."""

    profile: MachineProfile
    torque: TorqueScale
    angle: AngleScale
    calibrated: bool = True

    @classmethod
    def of(
        cls, profile: MachineProfile, calibrations: Mapping[int, AnyCalibration], now: str
    ) -> Self:
        """From the calibrations in force, by channel; ``now`` (ISO 8601) gives their age.

        Without one of the load channel no torque is given; without one of the
        arm's angle the profile's one known angle serves.
        """
        load = calibrations.get(profile.channels.load)
        angle = _angle(calibrations.get(profile.channels.arm_angle), profile)
        if isinstance(load, ForceCalibration):
            scale = force_scale(load, profile.moment_arm, load.age_days(now))
        elif isinstance(load, TorqueCalibration):
            scale = torque_scale(load, load.age_days(now))
        else:
            return cls(profile, _no_scale(), angle, calibrated=False)
        return cls(profile, scale, angle)


def _angle(calibration: AnyCalibration | None, profile: MachineProfile) -> AngleScale:
    if not isinstance(calibration, AngleCalibration):
        return profile_angle(profile)
    middle = 0.5 * sum(profile.travel_degrees)
    return AngleScale(
        lambda counts: calibration.angle(counts).angle_degrees,
        calibration.budget(middle).standard_uncertainty,
        0.0 if calibration.eccentricity_degrees else profile.angle_periodic_degrees,
    )


def _no_scale() -> TorqueScale:
    def convert(counts: Array) -> tuple[Array, NDArray[np.bool_]]:
        return np.full(len(counts), np.nan), np.zeros(len(counts), np.bool_)

    unknown = np.array([np.nan, np.nan])
    return TorqueScale(convert, TorqueUncertainty(np.array([0.0, 1.0]), unknown, unknown), "")
