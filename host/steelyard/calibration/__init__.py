"""From raw counts to newtons, with an uncertainty that is true and a record that proves it.

Order of the parts: ``weights``, ``gravity`` and ``lever`` say what hangs and how hard it
pulls; ``stability``, ``run_plan``, ``held_load`` and ``guided_run`` take readings;
``readings`` and ``readings_file`` hold them; ``response_fit`` puts a curve through them on
``least_squares``; ``suspects`` and ``agreement`` find slips; ``force_calibration`` is the
immutable result, ``torque_calibration`` the same for weights on the movement arm, ``applied``
uses it, ``calibration_file`` keeps it; ``uncertainty``, ``interval`` and ``student_t`` are the
arithmetic of the GUM.  ``angle_calibration`` is for an angle channel.  Its life afterwards:
``in_service`` (age, temperature), ``comparison`` (as found, as left), ``daily_check`` on
``control_chart``, all of it in ``history``, kept by ``register``.

This is an in-house calibration, not an accredited one, and the machine is not a medical device.
"""

from steelyard.calibration.angle_calibration import AngleCalibration, AngleReadings
from steelyard.calibration.angle_fit import calibrate_angle
from steelyard.calibration.angle_points import AngleConditions, AnglePoint
from steelyard.calibration.applied import ForceModel, ForceReadings
from steelyard.calibration.calibration_file import (
    AnyCalibration,
    load_angle_calibration,
    load_any_calibration,
    load_calibration,
    load_torque_calibration,
    save_calibration,
)
from steelyard.calibration.creep_test import CreepTest, creep_test
from steelyard.calibration.force_calibration import ForceCalibration, calibrate_force
from steelyard.calibration.gravity import Gravity
from steelyard.calibration.guided_run import GuidedRun, Phase, Progress
from steelyard.calibration.in_service import InService
from steelyard.calibration.lever import LeverArm
from steelyard.calibration.readings import Binding, Conditions, Direction, LoadPoint
from steelyard.calibration.readings_file import ReadingsFile, read_readings
from steelyard.calibration.run_plan import RunStep, plan_run
from steelyard.calibration.stability import (
    Stability,
    StabilityDetector,
    StabilityLimits,
    Verdict,
)
from steelyard.calibration.torque_calibration import (
    TorqueCalibration,
    TorqueReadings,
    calibrate_torque,
)
from steelyard.calibration.uncertainty import Budget, BudgetLine, format_measurement
from steelyard.calibration.weights import Air, Weight
from steelyard.calibration.zeroing import Zeroing

__all__ = [
    "Air",
    "AngleCalibration",
    "AngleConditions",
    "AnglePoint",
    "AngleReadings",
    "AnyCalibration",
    "Binding",
    "Budget",
    "BudgetLine",
    "Conditions",
    "CreepTest",
    "Direction",
    "ForceCalibration",
    "ForceModel",
    "ForceReadings",
    "Gravity",
    "GuidedRun",
    "InService",
    "LeverArm",
    "LoadPoint",
    "Phase",
    "Progress",
    "ReadingsFile",
    "RunStep",
    "Stability",
    "StabilityDetector",
    "StabilityLimits",
    "TorqueCalibration",
    "TorqueReadings",
    "Verdict",
    "Weight",
    "Zeroing",
    "calibrate_angle",
    "calibrate_force",
    "calibrate_torque",
    "creep_test",
    "format_measurement",
    "load_angle_calibration",
    "load_any_calibration",
    "load_calibration",
    "load_torque_calibration",
    "plan_run",
    "read_readings",
    "save_calibration",
]
