"""What a technician knows about one machine: geometry, counterweight, stack, sensors, limits.

Signs: the angle is the forward bend (flexion) of the joint in degrees from
upright and grows with it; torque about the joint's axis is positive when it
extends.  All uncertainties are standard ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from steelyard.errors import ProfileError, WrongMachineError
from steelyard.strength.arm_torque import AngleReference, MomentArm
from steelyard.strength.gravity_moment import GravityMoment
from steelyard.strength.measured import Measured

STANDARD_GRAVITY = 9.80665


class Joint(Enum):
    """The joint about which a machine turns."""

    LUMBAR = "lumbar"
    CERVICAL = "cervical"


@dataclass(frozen=True)
class Channels:
    """Channel numbers of the box; ``roller`` None where the restraint has no roller."""

    load: int
    arm_angle: int
    roller: int | None = None


@dataclass(frozen=True)
class Roller:
    """The restraint roller's sensor and how still it has to stay.

    ``still_degrees``: a slip is a lasting change beyond this.
    """

    degrees_per_count: float
    still_degrees: float


@dataclass(frozen=True)
class Counterweight:
    """The cranked counterweight: moment m g d per turn of the crank, N·m.

    It acts against a mass above the axis: M = +turns · b · sin(θ - θ_top).
    ``turn_step`` is the smallest part of a turn the crank can be set to.
    """

    moment_per_turn: Measured
    top_degrees: Measured
    turns_limit: float
    turn_step: float

    def moment(self, turns: float) -> GravityMoment:
        """Its moment at a setting."""
        return GravityMoment.from_top(-turns * self.moment_per_turn.value, self.top_degrees.value)


@dataclass(frozen=True)
class Stack:
    """Weight stack: plates that can be chosen [kg], lever ratio times radius of its cable.

    ``cam`` gives (angle in degrees, factor on the radius), rising, for a cam
    that is not round; empty where it is.  ``friction_ratio`` is the share by
    which the guides add to the weight going up and take from it going down.
    """

    plates_kg: tuple[float, ...]
    arm_metres: Measured
    friction_ratio: float
    cam: tuple[tuple[float, float], ...] = ()

    def torque(self, mass_kg: float, angle_degrees: float = 0.0) -> float:
        """Torque in N·m of a mass at rest, friction aside."""
        factor = 1.0
        if self.cam:
            angles, factors = np.array(self.cam).T
            factor = float(np.interp(angle_degrees, angles, factors))
        return mass_kg * STANDARD_GRAVITY * self.arm_metres.value * factor


@dataclass(frozen=True)
class MachineProfile:
    """One machine.  ``name`` is what recordings of it bear; ``box_id`` binds it to a box.

    ``angle_zero`` ties counts of the arm's sensor to degrees;
    ``angle_periodic_degrees`` bounds what an off-centre magnet adds to it.
    ``friction`` is the dry friction of arm and bearings, ``viscous`` what grows with its
    speed (N·m·s/rad), ``yield_degrees_per_nm``
    how far the lock gives.  ``balance_bound_nm`` is the residual that the
    practice accepts; ``relaxed_scatter_nm`` the scatter beyond which a client
    was not relaxed.
    """

    name: str
    joint: Joint
    channels: Channels
    moment_arm: MomentArm
    angle_zero: AngleReference
    angle_periodic_degrees: float
    travel_degrees: tuple[float, float]
    lock_degrees: tuple[float, ...]
    roller: Roller | None
    arm_moment: Measured
    arm_top_degrees: Measured
    arm_inertia: Measured
    counterweight: Counterweight
    stack: Stack
    friction: Measured
    viscous: Measured
    yield_degrees_per_nm: float
    balance_bound_nm: float
    relaxed_scatter_nm: float
    torque_limit_nm: float
    box_id: str = ""

    def __post_init__(self) -> None:
        low, high = self.travel_degrees
        problems = [
            (not low < high, f"travel runs from {low:g} to {high:g} degrees"),
            (
                any(not low <= at <= high for at in self.lock_degrees),
                f"a lock position lies outside the travel {low:g} to {high:g} degrees",
            ),
            (self.moment_arm.length_metres <= 0.0, "the moment arm is not positive"),
            (self.counterweight.moment_per_turn.value <= 0.0, "the crank turns for nothing"),
            (not self.stack.plates_kg, "the stack has no plates"),
            (list(self.stack.plates_kg) != sorted(self.stack.plates_kg), "plates are not rising"),
            (any(not math.isfinite(x) for x in (low, high)), "a figure is not finite"),
        ]
        wrong = [text for holds, text in problems if holds]
        if wrong:
            raise ProfileError(
                f"The profile of {self.name} contradicts itself: {'; '.join(wrong)}.",
                "Correct the profile.",
            )

    @property
    def arm_weight(self) -> GravityMoment:
        """Gravity moment of the bare movement arm."""
        return GravityMoment.from_top(self.arm_moment.value, self.arm_top_degrees.value)

    def require(self, machine: str, box_id: str) -> None:
        """Refuse a recording of another machine or another box.

        Raises WrongMachineError.
        """
        if machine and machine.casefold() != self.name.casefold():
            raise WrongMachineError(
                f"The recording was made on “{machine}”, the profile describes “{self.name}”.",
                "Use the profile of the machine the client sat in.",
            )
        if self.box_id and box_id and box_id != self.box_id:
            raise WrongMachineError(
                f"The recording comes from box {box_id}; {self.name} carries box {self.box_id}.",
                "Have two boxes been swapped? Put them back, or enter the change in the profile.",
            )
