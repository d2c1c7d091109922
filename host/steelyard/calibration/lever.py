"""Torque of a weight hung on the movement arm: T = F r cos φ.

So the technician can hang known weights where the client will push.  Hang
gently and stay clear: a weight that slips off an arm falls on a foot.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steelyard.calibration.uncertainty import BudgetLine
from steelyard.errors import CalibrationError


@dataclass(frozen=True)
class LeverArm:
    """Where a weight hangs: metres from the axis, degrees of the arm from horizontal.

    Both uncertainties are standard ones.
    """

    length_metres: float
    length_uncertainty_metres: float
    angle_degrees: float = 0.0
    angle_uncertainty_degrees: float = 0.5

    def __post_init__(self) -> None:
        if not (0.01 <= self.length_metres <= 3.0 and abs(self.angle_degrees) <= 60.0):
            raise CalibrationError(
                f"An arm of {self.length_metres:g} m at {self.angle_degrees:g}° is not usable.",
                "Length 0.01 to 3 m; hold the arm within 60° of horizontal, best at 0°.",
            )

    @property
    def metres(self) -> float:
        """Horizontal distance of the weight from the axis."""
        return self.length_metres * math.cos(math.radians(self.angle_degrees))

    @property
    def relative_uncertainty(self) -> float:
        """Relative standard uncertainty of ``metres``.

        To second order in the angle, so that an arm at exactly 0° does not pass for
        one whose angle does not matter (GUM 5.1.2, note: higher-order terms).
        """
        u_angle = math.radians(self.angle_uncertainty_degrees)
        slope = math.tan(math.radians(self.angle_degrees)) * u_angle
        curvature = u_angle * u_angle / math.sqrt(2.0)
        length = self.length_uncertainty_metres / self.length_metres
        return math.hypot(length, slope, curvature)

    def budget_lines(self, force_newtons: float) -> tuple[BudgetLine, BudgetLine]:
        """What length and angle add to the uncertainty of the torque, in N·m."""
        angle = math.radians(self.angle_degrees)
        across = self.length_metres * math.sin(angle)
        u_angle = math.radians(self.angle_uncertainty_degrees)
        second = self.metres * u_angle / math.sqrt(2.0)
        return (
            BudgetLine(
                "arm length",
                self.length_uncertainty_metres,
                "m",
                sensitivity=force_newtons * math.cos(angle),
            ),
            BudgetLine(
                "arm angle",
                self.angle_uncertainty_degrees,
                "°",
                sensitivity=force_newtons * math.hypot(across, second) * math.pi / 180.0,
            ),
        )

    def torque_newton_metres(self, force_newtons: float) -> float:
        """Torque about the axis of a weight that pulls straight down."""
        return force_newtons * self.metres
