"""What is to be hung and why: a daily check or a calibration, from what was typed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum

from steelyard.calibration import Conditions, Gravity, InService, LeverArm, RunStep, Weight
from steelyard.calibration.hung_loads import hung_loads
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.calibration.run_plan import plan_run
from steelyard.errors import ActionRefusedError

MOST_RUNS = 10


class Purpose(Enum):
    """Why weights are hung."""

    CHECK = "check"
    CALIBRATION = "calibration"


@dataclass(frozen=True)
class WeightOrder:
    """A plan of loads with the weights that make them up; ``arm``: they hang on the arm."""

    purpose: Purpose
    plan: tuple[RunStep, ...]
    weights: Mapping[str, Weight]
    conditions: Conditions
    arm: LeverArm | None = None


@dataclass(frozen=True)
class WeightsTyped:
    """How weights are described: loads as ``5,10+5``, and class or tolerance in grams."""

    loads: str
    oiml_class: str = ""
    tolerance_grams: float | None = None
    hanger_kg: float | None = None
    hanger_tolerance_grams: float = 5.0

    def described(self) -> tuple[dict[str, Weight], list[tuple[float, tuple[str, ...]]]]:
        """Weights by name, and loads.  Raises CalibrationError."""
        hanger = None if not self.hanger_kg else (self.hanger_kg, self.hanger_tolerance_grams)
        given = self.loads.replace(" ", "")
        return hung_loads(given, self.oiml_class or None, self.tolerance_grams, None, hanger)


@dataclass(frozen=True)
class CalibrationTyped:
    """Everything that is typed before a calibration; SI units, degrees, kg."""

    weights: WeightsTyped
    runs: int = 3
    exercises: int = 3
    latitude_degrees: float | None = None
    height_metres: float = 0.0
    gravity: float | None = None
    gravity_uncertainty: float = 5e-4
    arm_metres: float | None = None
    arm_uncertainty_metres: float = 5e-4
    arm_degrees: float = 0.0
    arm_uncertainty_degrees: float = 0.5
    temperature_celsius: float | None = None
    valid_days: int = 365
    note: str = ""
    conditions: Conditions = field(default_factory=Conditions)


def check_order(typed: WeightsTyped, calibration: LoadCalibration) -> WeightOrder:
    """One load for the calibration in force.  Raises CalibrationError, ActionRefusedError."""
    weights, loads = typed.described()
    if len(loads) != 1:
        raise ActionRefusedError(
            f"{len(loads)} loads were given.", "A check has one load, such as 20 or 10+5."
        )
    quantity = quantity_of(calibration)
    return WeightOrder(
        Purpose.CHECK, plan_run(loads, 1, 0), weights, quantity.force.conditions, quantity.arm
    )


def calibration_order(typed: CalibrationTyped) -> WeightOrder:
    """A whole calibration.  Raises CalibrationError, ActionRefusedError."""
    if typed.latitude_degrees is not None and typed.gravity is not None:
        raise ActionRefusedError(
            "Both gravity and latitude were given.", "Give the one that is known better."
        )
    if not (1 <= typed.runs <= MOST_RUNS and 0 <= typed.exercises <= MOST_RUNS):
        raise ActionRefusedError(
            f"{typed.runs} runs after {typed.exercises} exercises cannot be done.",
            f"1 to {MOST_RUNS} runs, 0 to {MOST_RUNS} exercises; 3 of each are usual.",
        )
    weights, loads = typed.weights.described()
    conditions = replace(
        typed.conditions,
        temperature_celsius=typed.temperature_celsius,
        note=typed.note,
        in_service=InService(valid_days=typed.valid_days),
    )
    gravity = _gravity(typed)
    if gravity is not None:
        conditions = replace(conditions, gravity=gravity)
    plan = plan_run(loads, typed.runs, typed.exercises)
    return WeightOrder(Purpose.CALIBRATION, plan, weights, conditions, _arm(typed))


def _gravity(typed: CalibrationTyped) -> Gravity | None:
    if typed.gravity is not None:
        return Gravity.entered(typed.gravity, typed.gravity_uncertainty)
    if typed.latitude_degrees is not None:
        return Gravity.at(typed.latitude_degrees, typed.height_metres)
    return None


def _arm(typed: CalibrationTyped) -> LeverArm | None:
    if typed.arm_metres is None:
        return None
    return LeverArm(
        typed.arm_metres,
        typed.arm_uncertainty_metres,
        typed.arm_degrees,
        typed.arm_uncertainty_degrees,
    )
