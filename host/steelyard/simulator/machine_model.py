"""The two machines: movement arm, counterweight, stack, stops and lock.

Signs used by the whole physics: the angle is the forward bend (flexion) of the
joint, in degrees from upright, so extending makes it smaller.  Torques are
about the joint's axis and positive when they extend.

Gravity on a mass above the axis, with the arm at theta, turns it away from its
top dead centre: torque = -A sin(theta - theta_top), A = m g d (statics).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

STANDARD_GRAVITY: Final = 9.80665
ROLLER_TRACK_DEGREES: Final = 300.0
"""Of the potentiometer of the restraint's roller."""


@dataclass(frozen=True)
class MachineTruth:
    """What one machine really is.

    Lengths in m, torques in N m, inertias in kg m^2.  ``travel_degrees`` runs
    from the extended to the flexed stop.  ``cell_arm_m`` is the moment arm of
    the load cell, ``stack_arm_m`` that of the weight stack (lever ratio times
    cam radius).  ``arm_moment_nm`` is m g d of the bare movement arm.
    """

    name: str
    joint: str
    travel_degrees: tuple[float, float]
    stations_degrees: tuple[float, ...]
    cell_rated_newtons: float
    cell_arm_m: float
    restraint_rated_newtons: float
    restraint_arm_m: float
    arm_moment_nm: float
    arm_top_degrees: float
    arm_inertia: float
    counterweight_nm_per_turn: float
    counterweight_turns_limit: float
    counterweight_top_degrees: float
    stack_arm_m: float
    stack_kg: float
    stack_friction: float
    friction_nm: float
    viscous_nm_s: float
    lock_stiffness_nm_per_rad: float
    roller_degrees_at_rest: float
    shaft_offset_degrees: float
    shaft_eccentricity_degrees: float


HERON: Final = MachineTruth(
    name="heron",
    joint="lumbar",
    travel_degrees=(-14.0, 64.0),
    stations_degrees=(52.0, 26.0, 2.0),
    cell_rated_newtons=2000.0,
    cell_arm_m=0.30,
    restraint_rated_newtons=2000.0,
    restraint_arm_m=0.42,
    arm_moment_nm=22.0,
    arm_top_degrees=-6.0,
    arm_inertia=1.6,
    counterweight_nm_per_turn=4.0,
    counterweight_turns_limit=60.0,
    counterweight_top_degrees=2.0,
    stack_arm_m=0.16,
    stack_kg=55.0,
    stack_friction=0.03,
    friction_nm=1.2,
    viscous_nm_s=0.8,
    lock_stiffness_nm_per_rad=20000.0,
    roller_degrees_at_rest=150.0,
    shaft_offset_degrees=112.0,
    shaft_eccentricity_degrees=0.25,
)
"""The back machine.  Its figures are made up, of the size such a machine has."""

WREN: Final = MachineTruth(
    name="wren",
    joint="cervical",
    travel_degrees=(-46.0, 54.0),
    stations_degrees=(40.0, 6.0, -28.0),
    cell_rated_newtons=500.0,
    cell_arm_m=0.16,
    restraint_rated_newtons=1000.0,
    restraint_arm_m=0.38,
    arm_moment_nm=1.8,
    arm_top_degrees=-10.0,
    arm_inertia=0.08,
    counterweight_nm_per_turn=0.5,
    counterweight_turns_limit=40.0,
    counterweight_top_degrees=3.0,
    stack_arm_m=0.10,
    stack_kg=12.0,
    stack_friction=0.03,
    friction_nm=0.15,
    viscous_nm_s=0.06,
    lock_stiffness_nm_per_rad=3000.0,
    roller_degrees_at_rest=120.0,
    shaft_offset_degrees=140.0,
    shaft_eccentricity_degrees=0.25,
)
"""The neck machine, made up likewise."""

MACHINES: Final = {machine.name: machine for machine in (HERON, WREN)}


def gravity_torque(moment_nm: float, angle_degrees: float, top_degrees: float) -> float:
    """Torque in N m of a mass above the axis: -A sin(theta - theta_top)."""
    return -moment_nm * math.sin(math.radians(angle_degrees - top_degrees))


class MachineModel:
    """One machine with its settings: counterweight turns and stack selection."""

    def __init__(self, truth: MachineTruth) -> None:
        self.truth = truth
        self.counterweight_turns = 0.0
        self.stack_kg = truth.stack_kg
        self._slack_nm = 0.0

    def own_gravity(self, angle_degrees: float) -> float:
        """Torque in N m of the bare arm and the counterweight at an angle."""
        truth = self.truth
        counterweight_nm = self.counterweight_turns * truth.counterweight_nm_per_turn
        # The counterweight hangs on the other side of the axis: it pulls up.
        return gravity_torque(
            truth.arm_moment_nm, angle_degrees, truth.arm_top_degrees
        ) - gravity_torque(counterweight_nm, angle_degrees, truth.counterweight_top_degrees)

    def turns_to_balance(self, moment_nm: float, top_degrees: float) -> float:
        """Counterweight turns that best cancel arm and client over the travel.

        Least squares over the travel of the sum of the sine terms, within what
        the crank can do.
        """
        truth = self.truth
        low, high = truth.travel_degrees
        over = under = 0.0
        for step in range(101):
            angle = low + (high - low) * step / 100
            lift = -gravity_torque(
                truth.counterweight_nm_per_turn, angle, truth.counterweight_top_degrees
            )
            weight = gravity_torque(moment_nm, angle, top_degrees) + gravity_torque(
                truth.arm_moment_nm, angle, truth.arm_top_degrees
            )
            over -= lift * weight
            under += lift * lift
        return max(0.0, min(truth.counterweight_turns_limit, over / under))

    def held_torque(self, applied_nm: float) -> float:
        """Torque in N m that reaches the cell while the arm stands still.

        Dry friction passes on only what exceeds it: a play of its width.
        """
        friction = self.truth.friction_nm
        self._slack_nm = max(applied_nm - friction, min(applied_nm + friction, self._slack_nm))
        return self._slack_nm

    def driven_torque(self, applied_nm: float, extension_rad_s: float) -> float:
        """Torque in N m that reaches the cell while the arm is moved from the link side."""
        truth = self.truth
        # tanh: dry friction without a jump at standstill.
        torque = (
            applied_nm
            - truth.friction_nm * math.tanh(extension_rad_s / 0.01)
            - truth.viscous_nm_s * extension_rad_s
        )
        self._slack_nm = torque
        return torque

    def stack_torque(self, lift_degrees: float, extension_rad_s: float) -> float:
        """Torque in N m with which the stack resists at a lift above its rest."""
        if lift_degrees <= 0.0:
            return 0.0
        truth = self.truth
        weight_nm = self.stack_kg * STANDARD_GRAVITY * truth.stack_arm_m
        taken_up = min(1.0, lift_degrees / 0.5)  # the cable stretches before the plates lift
        rubbing = 1.0 + truth.stack_friction * math.tanh(extension_rad_s / 0.03)
        return weight_nm * taken_up * rubbing

    def stack_inertia(self) -> float:
        """Inertia of the lifted plates about the joint's axis, in kg m^2."""
        return self.stack_kg * self.truth.stack_arm_m**2

    def stop_torque(self, angle_degrees: float, extension_rad_s: float) -> float:
        """Torque in N m of the end stops: stiff, damped, one-way."""
        low, high = self.truth.travel_degrees
        stiffness = 0.25 * self.truth.lock_stiffness_nm_per_rad
        damping = 0.02 * stiffness
        if angle_degrees < low:
            push = stiffness * math.radians(angle_degrees - low) - damping * extension_rad_s
            return min(0.0, push)
        if angle_degrees > high:
            push = stiffness * math.radians(angle_degrees - high) - damping * extension_rad_s
            return max(0.0, push)
        return 0.0
