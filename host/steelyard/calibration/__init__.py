"""From raw counts to newtons, with an uncertainty that is true and a record that proves it.

Order of the parts: ``weights``, ``gravity`` and ``lever`` say what hangs and how hard it
pulls; ``stability`` and ``guided_run`` take readings; ``readings`` and ``readings_file`` hold
them; ``response_fit`` puts a curve through them on ``least_squares``; ``suspects`` finds slips;
``force_calibration`` is the immutable result, ``applied`` uses it, ``calibration_file`` keeps
it; ``uncertainty`` and ``student_t`` are the arithmetic of the GUM.  ``angle_calibration``
does the same for an angle channel; ``control_chart`` watches a calibration age.

This is an in-house calibration, not an accredited one, and the machine is not a medical device.
"""

from steelyard.calibration.angle_calibration import (
    AngleCalibration,
    AnglePoint,
    AngleReadings,
    calibrate_angle,
)
from steelyard.calibration.applied import ForceModel, ForceReadings
from steelyard.calibration.calibration_file import load_calibration, save_calibration
from steelyard.calibration.force_calibration import ForceCalibration, calibrate_force
from steelyard.calibration.gravity import Gravity
from steelyard.calibration.guided_run import GuidedRun, Phase, Progress, RunStep, plan_run
from steelyard.calibration.readings import Binding, Conditions, Direction, LoadPoint
from steelyard.calibration.readings_file import ReadingsFile, read_readings
from steelyard.calibration.stability import (
    Stability,
    StabilityDetector,
    StabilityLimits,
    Verdict,
)
from steelyard.calibration.uncertainty import Budget, BudgetLine, format_measurement
from steelyard.calibration.weights import Air, Weight
from steelyard.calibration.zeroing import Zeroing

__all__ = [
    "Air",
    "AngleCalibration",
    "AnglePoint",
    "AngleReadings",
    "Binding",
    "Budget",
    "BudgetLine",
    "Conditions",
    "Direction",
    "ForceCalibration",
    "ForceModel",
    "ForceReadings",
    "Gravity",
    "GuidedRun",
    "LoadPoint",
    "Phase",
    "Progress",
    "ReadingsFile",
    "RunStep",
    "Stability",
    "StabilityDetector",
    "StabilityLimits",
    "Verdict",
    "Weight",
    "Zeroing",
    "calibrate_angle",
    "calibrate_force",
    "format_measurement",
    "load_calibration",
    "plan_run",
    "read_readings",
    "save_calibration",
]
