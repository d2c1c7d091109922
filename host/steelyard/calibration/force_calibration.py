"""A force channel calibrated with known weights: the record, and how it is made.

The record is immutable.  It keeps every reading it was made from, so that
anybody can make it again, and it is named by the hash of its content.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from steelyard.calibration import record_content
from steelyard.calibration.agreement import (
    EXPECTED_LIMIT,
    check_expected,
    check_runs,
    check_zeros,
)
from steelyard.calibration.applied import ForceModel, ForceReadings
from steelyard.calibration.canonical_json import content_hash, open_sealed, sealed_text
from steelyard.calibration.creep_test import CreepTest
from steelyard.calibration.figures import Figure, named_figures
from steelyard.calibration.force_budget import (
    reading_budget,
    sensitivity_budget,
    zero_budget,
)
from steelyard.calibration.force_model import force_model, remarks_of
from steelyard.calibration.in_service import age_days, due_on
from steelyard.calibration.readings import Binding, Conditions, LoadPoint, check_points
from steelyard.calibration.reference_forces import reference_forces
from steelyard.calibration.response_fit import ResponseFit, fit_response
from steelyard.calibration.suspects import find_suspect
from steelyard.calibration.uncertainty import Budget, format_measurement
from steelyard.calibration.weights import Weight
from steelyard.calibration.zeroing import Zeroing, take_zero
from steelyard.errors import PoorFitError

RESIDUAL_LIMIT: Final = 0.005
"""Largest deviation of a reading from the curve, as a share of the span, before the points are
refused (common practice, no source; a sound load cell stays ten times below)."""


@dataclass(frozen=True)
class ForceCalibration:
    """What turns counts of one channel into newtons, and the proof of it."""

    binding: Binding
    conditions: Conditions
    weights: tuple[Weight, ...]
    points: tuple[LoadPoint, ...]
    model: ForceModel
    figures: tuple[Figure, ...]
    remarks: tuple[str, ...]
    creep: CreepTest | None = None

    @property
    def calibration_id(self) -> str:
        """SHA-256 of the content, in hexadecimal: the calibration's name."""
        return content_hash(record_content.plain(self))

    @property
    def due_on(self) -> date | None:
        """The day by which to calibrate again; None when the calibration bears no date."""
        return due_on(self.conditions.taken_at, self.conditions.in_service.valid_days)

    def age_days(self, now: str) -> float:
        """Days since it was made (ISO 8601); 0 when it bears no date."""
        taken_at = self.conditions.taken_at
        return age_days(taken_at, now) if taken_at else 0.0

    def force(
        self,
        counts: ArrayLike,
        *,
        zero: Zeroing | None = None,
        counts_standard_error: ArrayLike | None = None,
        age_days: float = 0.0,
    ) -> ForceReadings:
        """Newtons and standard uncertainty for ``counts`` (n); see ``ForceModel.force``."""
        return self.model.force(
            counts, zero=zero, counts_standard_error=counts_standard_error, age_days=age_days
        )

    def budget(
        self,
        force_newtons: float,
        *,
        zero: Zeroing | None = None,
        counts_standard_error: float | None = None,
        age_days: float = 0.0,
    ) -> Budget:
        """Uncertainty of one reading at a force, line by line, in newtons."""
        return reading_budget(
            self.model,
            force_newtons,
            zero=zero,
            counts_standard_error=counts_standard_error,
            age_days=age_days,
        )

    def sensitivity_budget(self) -> Budget:
        """Uncertainty of the sensitivity, line by line, in counts per newton."""
        return sensitivity_budget(self.model)

    def zero_budget(self) -> Budget:
        """Uncertainty of the counts without load, line by line, in counts."""
        return zero_budget(self.model)

    def take_zero(
        self, unloaded_counts: float, counts_standard_error: float, taken_at: str
    ) -> Zeroing:
        """A zeroing for this calibration; CalibrationError when it would shift too far."""
        span = self.model.sensitivity_counts_per_newton * self.model.curve.span_newtons
        return take_zero(
            unloaded_counts,
            counts_standard_error,
            calibrated_zero_counts=self.model.zero_counts,
            calibrated_span_counts=span,
            taken_at=taken_at,
        )

    def to_json(self) -> str:
        """The whole record as sealed text; ``from_json`` takes nothing else."""
        return sealed_text(record_content.plain(self))

    @classmethod
    def from_json(cls, text: str) -> ForceCalibration:
        """Read a record back.

        Raises CalibrationFileError when a byte was changed or the version is not known.
        """
        return cls(**record_content.parts(open_sealed(text)))

    def refit(self) -> ForceCalibration:
        """Make the calibration again from the readings it keeps."""
        return calibrate_force(
            self.points,
            self.conditions,
            self.binding,
            weights={weight.name: weight for weight in self.weights},
            degree=self.model.curve.degree,
            creep=self.creep,
        )

    def describe_force(self, force_newtons: float) -> str:
        """A value at a force with its expanded uncertainty, as text."""
        budget = self.budget(force_newtons)
        return format_measurement(
            force_newtons, budget.expanded_uncertainty, "N", budget.coverage_factor
        )

    def summary_lines(self) -> list[str]:
        """The result for a person: identity, constants, figures, remarks."""
        model, curve = self.model, self.model.curve
        sensitivity, zero = self.sensitivity_budget(), self.zero_budget()
        return [
            f"calibration {self.calibration_id[:12]} of box {self.binding.box_id}, "
            f"channel {self.binding.channel}, sensor {self.binding.sensor_serial or 'unnamed'}",
            f"{len(self.points)} readings in {model.run_count} "
            f"run{'' if model.run_count == 1 else 's'}, "
            f"{curve.low_newtons:.1f} to {curve.high_newtons:.1f} N, degree {curve.degree}",
            "sensitivity: "
            + format_measurement(
                model.sensitivity_counts_per_newton,
                sensitivity.expanded_uncertainty,
                "counts/N",
                sensitivity.coverage_factor,
            ),
            "zero: "
            + format_measurement(
                model.zero_counts, zero.expanded_uncertainty, "counts", zero.coverage_factor
            ),
            f"one sample at full scale: {self.describe_force(curve.high_newtons)}",
            f"gravity: {self.conditions.gravity.value:.5f} m/s² ({self.conditions.gravity.source})",
            *([f"due: {self.due_on}"] if self.due_on else []),
            *(figure.line() for figure in self.figures),
            *(f"note: {remark}" for remark in self.remarks),
        ]


def calibrate_force(
    points: Sequence[LoadPoint],
    conditions: Conditions,
    binding: Binding,
    *,
    weights: Mapping[str, Weight] | None = None,
    degree: int | None = None,
    expected_counts_per_newton: float | None = None,
    expected_within: float = EXPECTED_LIMIT,
    creep: CreepTest | None = None,
    residual_limit: float = RESIDUAL_LIMIT,
) -> ForceCalibration:
    """Calibrate a channel from readings in the order they were taken.

    ``degree`` None lets the readings choose (rule in ``fit_response``).  With
    ``expected_counts_per_newton``, from the data sheet or an older calibration,
    a wrong unit of the masses or a swapped sensor is noticed (``expected_within``: the
    largest difference, as a share).  ``creep`` is the
    test with a held load; without it the zero return stands in.

    Raises PoorFitError, SaturatedReadingError, UnstableReadingError,
    SpanTooSmallError or ReadingsFileError, each naming the point and what to do;
    nothing is changed.
    """
    described = dict(weights or {})
    check_points(points)
    forces = reference_forces(points, described, conditions)
    check_runs(points, forces)
    suspect = find_suspect(points, forces)
    if suspect is not None:
        raise PoorFitError(
            f"{suspect.heading}: {suspect.sentence()}.",
            suspect.advice,
        )
    fit = fit_response(points, forces, degree)
    _check_residuals(points, fit, residual_limit)
    check_zeros(points, fit.run_zeros_counts)
    model = force_model(points, conditions, forces, fit, creep)
    check_expected(model.sensitivity_counts_per_newton, expected_counts_per_newton, expected_within)
    return ForceCalibration(
        binding,
        conditions,
        tuple(described[name] for name in sorted(described)),
        tuple(points),
        model,
        (*named_figures(points, fit), *(creep.figures() if creep else ())),
        remarks_of(points, conditions, forces, model, creep),
        creep,
    )


def _check_residuals(points: Sequence[LoadPoint], fit: ResponseFit, limit: float) -> None:
    counts = [point.counts_mean for point in points]
    span = max(counts) - min(counts)
    worst = int(np.argmax(np.abs(fit.residuals_counts)))
    share = float(abs(fit.residuals_counts[worst])) / span
    if share > limit:
        raise PoorFitError(
            f"Point {worst + 1} ({points[worst].describe()}) lies {100 * share:.2f} % of the span "
            f"off the curve of degree {fit.curve.degree}; {100 * limit:.2f} % is allowed.",
            "Check its mass and whether anything touched the load; take the run again. If all "
            "points scatter, look for friction or a loose mounting.",
        )
