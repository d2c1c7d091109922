"""A channel calibrated in newton-metres, by weights hung on the movement arm.

A weight that hangs on the arm at a fixed place makes the torque T = F r cos φ.
The place is the same for all weights, so counts follow torque as they follow
the pull F: the pull is calibrated, and the arm r cos φ, common to all points,
comes in as a factor with an uncertainty of its own.

It holds for torque about the axis at any angle of the arm, as far as the sensor
sits on the arm or its crank and turns with it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from steelyard.calibration import record_content
from steelyard.calibration.canonical_json import content_hash, open_sealed, sealed_text
from steelyard.calibration.creep_test import CreepTest
from steelyard.calibration.force_calibration import ForceCalibration, calibrate_force
from steelyard.calibration.least_squares import Array
from steelyard.calibration.lever import LeverArm
from steelyard.calibration.readings import Binding, Conditions, LoadPoint
from steelyard.calibration.uncertainty import Budget, format_measurement
from steelyard.calibration.weights import Weight
from steelyard.calibration.zeroing import Zeroing

SCHEMA: Final = "steelyard torque calibration"
SCHEMA_VERSION: Final = 1


@dataclass(frozen=True)
class TorqueReadings:
    """Values for n counts: newton-metres, standard uncertainty in N·m, outside the range or not.

    A sample without a reading has not-a-number in the first two.
    """

    torque_newton_metres: Array
    standard_uncertainty_newton_metres: Array
    extrapolated: NDArray[np.bool_]


@dataclass(frozen=True)
class TorqueCalibration:
    """What turns counts of one channel into newton-metres, and the proof of it.

    ``pull`` is the calibration in newtons at the place where the weights hung.
    """

    pull: ForceCalibration
    arm: LeverArm

    @property
    def binding(self) -> Binding:
        """What it belongs to."""
        return self.pull.binding

    @property
    def calibration_id(self) -> str:
        """SHA-256 of the content, in hexadecimal: the calibration's name."""
        return content_hash(self._plain())

    @property
    def due_on(self) -> date | None:
        """The day by which to calibrate again; None when the calibration bears no date."""
        return self.pull.due_on

    @property
    def low_newton_metres(self) -> float:
        """Lower end of the calibrated range."""
        return self.pull.model.curve.low_newtons * self.arm.metres

    @property
    def high_newton_metres(self) -> float:
        """Upper end of the calibrated range."""
        return self.pull.model.curve.high_newtons * self.arm.metres

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is weak about it."""
        return self.pull.remarks

    def age_days(self, now: str) -> float:
        """Days since it was made (ISO 8601); 0 when it bears no date."""
        return self.pull.age_days(now)

    def torque(
        self,
        counts: ArrayLike,
        *,
        zero: Zeroing | None = None,
        counts_standard_error: ArrayLike | None = None,
        age_days: float = 0.0,
    ) -> TorqueReadings:
        """Newton-metres and standard uncertainty for ``counts`` (n); see ``ForceModel.force``.

        u(T)² = (r cos φ · u(F))² + (F · u(r cos φ))² (GUM 5.1.2: independent inputs).
        """
        read = self.pull.force(
            counts, zero=zero, counts_standard_error=counts_standard_error, age_days=age_days
        )
        torque = read.force_newtons * self.arm.metres
        spread = np.hypot(
            read.standard_uncertainty_newtons * self.arm.metres,
            torque * self.arm.relative_uncertainty,
        )
        return TorqueReadings(torque, spread, read.extrapolated)

    def budget(
        self,
        torque_newton_metres: float,
        *,
        zero: Zeroing | None = None,
        counts_standard_error: float | None = None,
        age_days: float = 0.0,
    ) -> Budget:
        """Uncertainty of one reading at a torque, line by line, in N·m."""
        force = torque_newton_metres / self.arm.metres
        budget = self.pull.budget(
            force, zero=zero, counts_standard_error=counts_standard_error, age_days=age_days
        )
        lines = tuple(line.scaled(self.arm.metres) for line in budget.lines)
        return Budget((*lines, *self.arm.budget_lines(abs(force))), "N·m")

    @property
    def sensitivity_counts_per_newton_metre(self) -> float:
        """Counts per newton-metre from end to end of the range."""
        return self.pull.model.sensitivity_counts_per_newton / self.arm.metres

    def sensitivity_budget(self) -> Budget:
        """Uncertainty of the sensitivity, line by line, in counts per newton-metre."""
        per_metre = 1.0 / self.arm.metres
        lines = [line.scaled(per_metre) for line in self.pull.sensitivity_budget().lines]
        size = abs(self.sensitivity_counts_per_newton_metre)
        # counts per N·m fall as the arm grows: relative shares are the same
        for line in self.arm.budget_lines(1.0):
            lines.append(line.scaled(size / self.arm.metres))
        return Budget(tuple(lines), "counts/(N·m)")

    def zero_budget(self) -> Budget:
        """Uncertainty of the counts without load, line by line, in counts."""
        return self.pull.zero_budget()

    def take_zero(
        self, unloaded_counts: float, counts_standard_error: float, taken_at: str
    ) -> Zeroing:
        """A zeroing for this calibration; CalibrationError when it would shift too far."""
        return self.pull.take_zero(unloaded_counts, counts_standard_error, taken_at)

    def to_json(self) -> str:
        """The whole record as sealed text; ``from_json`` takes nothing else."""
        return sealed_text(self._plain())

    @classmethod
    def from_json(cls, text: str) -> TorqueCalibration:
        """Read a record back.

        Raises CalibrationFileError when a byte was changed or the version is not known.
        """
        content = open_sealed(text)
        record_content.require_schema(content, SCHEMA, SCHEMA_VERSION)
        with record_content.whole_or_refused(content):
            pull = ForceCalibration(**record_content.parts(content["pull"]))
            return cls(pull, LeverArm(**content["arm"]))

    def refit(self) -> TorqueCalibration:
        """Make the calibration again from the readings it keeps."""
        return TorqueCalibration(self.pull.refit(), self.arm)

    def describe_torque(self, torque_newton_metres: float) -> str:
        """A value at a torque with its expanded uncertainty, as text."""
        budget = self.budget(torque_newton_metres)
        return format_measurement(
            torque_newton_metres, budget.expanded_uncertainty, "N·m", budget.coverage_factor
        )

    def summary_lines(self) -> list[str]:
        """The result for a person: identity, constants, figures, remarks."""
        sensitivity = self.sensitivity_budget()
        arm = self.arm
        of_pull = self.pull.summary_lines()
        return [
            of_pull[0].replace(self.pull.calibration_id[:12], self.calibration_id[:12]),
            f"torque, {self.low_newton_metres:.1f} to {self.high_newton_metres:.1f} N·m: weights "
            f"hung {arm.length_metres:g} ± {2.0 * arm.length_uncertainty_metres:.2g} m from the "
            f"axis, arm at {arm.angle_degrees:g} ± {2.0 * arm.angle_uncertainty_degrees:.2g}° "
            "(k = 2)",
            "sensitivity: "
            + format_measurement(
                self.sensitivity_counts_per_newton_metre,
                sensitivity.expanded_uncertainty,
                "counts/(N·m)",
                sensitivity.coverage_factor,
            ),
            f"one sample at full scale: {self.describe_torque(self.high_newton_metres)}",
            *(line for line in of_pull[1:] if not line.startswith(("sensitivity", "one sample"))),
        ]

    def _plain(self) -> dict[str, Any]:
        return {
            "schema": SCHEMA,
            "schema_version": SCHEMA_VERSION,
            "pull": record_content.plain(self.pull),
            "arm": dataclasses.asdict(self.arm),
        }


def calibrate_torque(
    points: Sequence[LoadPoint],
    arm: LeverArm,
    conditions: Conditions,
    binding: Binding,
    *,
    weights: Mapping[str, Weight] | None = None,
    degree: int | None = None,
    expected_counts_per_newton_metre: float | None = None,
    creep: CreepTest | None = None,
) -> TorqueCalibration:
    """Calibrate a channel in newton-metres from weights hung on the movement arm.

    All weights hang at one place of the arm, held at one angle.  Arguments and
    errors as for ``calibrate_force``.
    """
    expected = expected_counts_per_newton_metre
    pull = calibrate_force(
        points,
        conditions,
        binding,
        weights=weights,
        degree=degree,
        expected_counts_per_newton=None if expected is None else expected * arm.metres,
        creep=creep,
    )
    return TorqueCalibration(pull, arm)
