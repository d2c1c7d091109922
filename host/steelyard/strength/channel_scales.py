"""From a calibration and a machine's profile to the scales of its channels, live or recorded."""

from __future__ import annotations

from collections.abc import Callable

from steelyard.calibration import (
    AngleCalibration,
    AnyCalibration,
    ForceCalibration,
    TorqueCalibration,
)
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.recorded_signals import AngleScale, profile_angle
from steelyard.strength.torque_scale import TorqueScale, force_scale, torque_scale


def load_scale(
    calibration: AnyCalibration | None,
    profile: MachineProfile,
    age_days: Callable[[AnyCalibration], float],
) -> TorqueScale | None:
    """The load channel in N·m; None without a calibration of force or torque."""
    if isinstance(calibration, ForceCalibration):
        return force_scale(calibration, profile.moment_arm, age_days(calibration))
    if isinstance(calibration, TorqueCalibration):
        return torque_scale(calibration, age_days(calibration))
    return None


def angle_scale(calibration: AnyCalibration | None, profile: MachineProfile) -> AngleScale:
    """The arm's angle in degrees; without a calibration the profile's one known angle serves."""
    if not isinstance(calibration, AngleCalibration):
        return profile_angle(profile)
    middle = 0.5 * sum(profile.travel_degrees)
    return AngleScale(
        lambda counts: calibration.angle(counts).angle_degrees,
        calibration.budget(middle).standard_uncertainty,
        0.0 if calibration.eccentricity_degrees else profile.angle_periodic_degrees,
    )
