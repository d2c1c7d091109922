"""Torque about the axis and angle of the joint, from a machine's profile.

A calibration in newtons says what the load cell feels; the profile says where on
the arm it sits, and what the arm's angle is for the client's joint.  Signs are
those of the profile: forward bend positive, torque positive when it extends.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from steelyard_protocol.messages import NO_COUNTS

from steelyard.calibration import AngleCalibration, ForceCalibration
from steelyard.publish.quantities import JOINT_ANGLE, TORQUE, Quantity, Scale, Value
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.profile_file import profile_from_json, profile_text


@dataclass(frozen=True)
class GivenProfile:
    """A machine's profile and the text it came from, which goes into recordings."""

    profile: MachineProfile
    text: str

    @classmethod
    def of(cls, text: str) -> GivenProfile:
        """From its JSON text.  Raises ProfileError."""
        return cls(profile_from_json(text), text)

    @classmethod
    def load(cls, name_or_path: str) -> GivenProfile:
        """A ready one by name, or one from a file.  Raises ProfileError."""
        return cls.of(profile_text(name_or_path))


class JointValue(NamedTuple):
    """One quantity of the joint, from counts (n)."""

    quantity: Quantity
    values: Callable[[Sequence[int]], list[Value]]


def joint_torque(profile: MachineProfile, scale: Scale | None) -> JointValue | None:
    """Torque of the profile's load channel; None: no force is known, or it is torque already.

    T = F r, u² = (r u(F))² + (F u(r))² (GUM 5.1.2: independent inputs).
    """
    if scale is None or not isinstance(scale.calibration, ForceCalibration):
        return None
    arm = profile.moment_arm
    metres, spread_metres = arm.length_metres, arm.standard_uncertainty_metres

    def values(counts: Sequence[int]) -> list[Value]:
        # Whether beyond what was calibrated stands with the force, in the same sample.
        return [
            (force * metres, math.hypot(spread * metres, force * spread_metres), False)
            for force, spread, _ in scale.values(counts)
        ]

    return JointValue(TORQUE, values)


def joint_angle(profile: MachineProfile, scale: Scale | None) -> JointValue:
    """Forward bend, by the angle's calibration or else by the profile's one known angle.

    The off-centre magnet adds a wave of at most the profile's bound: a standard
    uncertainty of bound / sqrt(2) (GUM 4.3, distribution of a sine over its period).
    A calibration that has fitted that wave has it no longer.
    """
    periodic = profile.angle_periodic_degrees / math.sqrt(2.0)
    calibration = scale.calibration if scale is not None else None
    if scale is not None and isinstance(calibration, AngleCalibration):
        left = 0.0 if calibration.eccentricity_degrees else periodic

        def calibrated(counts: Sequence[int]) -> list[Value]:
            return [
                (angle, math.hypot(spread, left), beyond)
                for angle, spread, beyond in scale.values(counts)
            ]

        return JointValue(JOINT_ANGLE, calibrated)
    zero = profile.angle_zero
    spread = math.hypot(zero.standard_uncertainty_degrees, periodic)
    low, high = profile.travel_degrees

    def by_profile(counts: Sequence[int]) -> list[Value]:
        raw = np.asarray(counts, dtype=np.int32)
        degrees = np.where(raw == NO_COUNTS, np.nan, zero.degrees_at(raw)).tolist()
        return [(angle, spread, not low <= angle <= high) for angle in degrees]

    return JointValue(JOINT_ANGLE, by_profile)
