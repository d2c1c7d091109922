"""A force channel calibrated with known weights: the record, and how it is made.

The record is immutable.  It keeps every reading it was made from, so that
anybody can make it again, and it is named by the hash of its content.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from steelyard.calibration import record_content
from steelyard.calibration.applied import ForceModel, ForceReadings
from steelyard.calibration.canonical_json import content_hash, open_sealed, sealed_text
from steelyard.calibration.figures import Figure, named_figures
from steelyard.calibration.force_budget import (
    reading_budget,
    sensitivity_budget,
    zero_budget,
)
from steelyard.calibration.readings import Binding, Conditions, LoadPoint, check_points
from steelyard.calibration.reference_forces import ReferenceForces, reference_forces
from steelyard.calibration.response_fit import ResponseFit, between_run_sd, fit_response
from steelyard.calibration.suspects import find_suspect
from steelyard.calibration.uncertainty import Budget, format_measurement
from steelyard.calibration.weights import Weight
from steelyard.calibration.zeroing import Zeroing, take_zero
from steelyard.errors import PoorFitError, ReadingsFileError

RESIDUAL_LIMIT: Final = 0.005
"""Largest deviation of a reading from the curve, as a share of the span, before the points are
refused (common practice, no source; a sound load cell stays ten times below)."""

CREEP_PER_ZERO_RETURN: Final = 2.0
"""Bound of creep over zero return: half has crept back while the loads came off one by one
(common practice, no source; OIML R 60 allows 1.5 times as much creep as zero return)."""

UNIT_SLIPS: Final = (
    (0.45359237, "pounds were entered as kilograms"),
    (1.0 / 0.45359237, "kilograms were entered as pounds"),
    (1.0 / 9.80665, "newtons were entered as kilograms"),
    (9.80665, "kilograms were entered as newtons"),
    (0.001, "grams were entered as kilograms"),
)
"""Found over expected sensitivity, and what explains it."""


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

    @property
    def calibration_id(self) -> str:
        """SHA-256 of the content, in hexadecimal: the calibration's name."""
        return content_hash(record_content.plain(self))

    def force(
        self,
        counts: ArrayLike,
        *,
        zero: Zeroing | None = None,
        counts_standard_error: ArrayLike | None = None,
    ) -> ForceReadings:
        """Newtons and standard uncertainty for ``counts`` (n); see ``ForceModel.force``."""
        return self.model.force(counts, zero=zero, counts_standard_error=counts_standard_error)

    def budget(
        self,
        force_newtons: float,
        *,
        zero: Zeroing | None = None,
        counts_standard_error: float | None = None,
    ) -> Budget:
        """Uncertainty of one reading at a force, line by line, in newtons."""
        return reading_budget(
            self.model, force_newtons, zero=zero, counts_standard_error=counts_standard_error
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
            f"channel {self.binding.channel}, sensor {self.binding.sensor_serial}",
            f"{len(self.points)} readings in {model.run_count} runs, "
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
    residual_limit: float = RESIDUAL_LIMIT,
) -> ForceCalibration:
    """Calibrate a channel from readings in the order they were taken.

    ``degree`` None lets the readings choose (rule in ``fit_response``).  With
    ``expected_counts_per_newton``, from the data sheet or an older calibration,
    a wrong unit of the masses is noticed.

    Raises PoorFitError, SaturatedReadingError, SpanTooSmallError or
    ReadingsFileError, each naming the point and what to do; nothing is changed.
    """
    described = dict(weights or {})
    check_points(points)
    forces = reference_forces(points, described, conditions)
    suspect = find_suspect(points, forces)
    if suspect is not None:
        raise PoorFitError(
            f"The masses do not fit the readings: {suspect.sentence()}.",
            "Correct the mass if it was written down wrongly, or take that reading again.",
        )
    fit = fit_response(points, forces, degree)
    _check_residuals(points, fit, residual_limit)
    model = _model(points, conditions, forces, fit)
    _check_units(model.sensitivity_counts_per_newton, expected_counts_per_newton)
    return ForceCalibration(
        binding,
        conditions,
        tuple(described[name] for name in sorted(described)),
        tuple(points),
        model,
        named_figures(points, fit),
        _remarks(points, conditions, forces, model),
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


def _check_units(found: float, expected: float | None) -> None:
    if expected is None:
        return
    ratio = abs(found / expected)
    for factor, explanation in UNIT_SLIPS:
        if abs(ratio / factor - 1.0) < 0.05:
            raise ReadingsFileError(
                f"The sensitivity comes out {ratio:.4g} times what was expected: it looks as if "
                f"{explanation}.",
                "Enter masses in kilograms.",
            )


def _model(
    points: Sequence[LoadPoint], conditions: Conditions, forces: ReferenceForces, fit: ResponseFit
) -> ForceModel:
    deviations = np.array([mean for _, mean in fit.deviations])
    free = max(1, deviations.size - fit.curve.degree - 1)
    noise = [point.counts_standard_error**2 * point.sample_count for point in points]
    return ForceModel(
        curve=fit.curve,
        readings_covariance=_rows(fit.readings_covariance),
        mass_covariance=_rows(fit.mass_covariance),
        readings_degrees_of_freedom=fit.degrees_of_freedom,
        gravity_relative=forces.relative_gravity,
        buoyancy_relative=forces.relative_buoyancy,
        run_count=len(fit.run_zeros_counts),
        run_slope_sd_relative=between_run_sd(fit.run_slopes_relative),
        run_slope_noise_relative=fit.slope_variance_relative**0.5,
        run_zero_sd_counts=between_run_sd(fit.run_zeros_counts),
        assumed_repeatability_relative=conditions.assumed_repeatability_relative,
        creep_relative=_creep_bound(conditions, fit),
        loop=fit.loop,
        interpolation_counts=float(np.sqrt(np.sum(deviations**2) / free)),
        interpolation_degrees_of_freedom=free,
        sample_noise_counts=float(np.sqrt(np.mean(noise))),
    )


def _creep_bound(conditions: Conditions, fit: ResponseFit) -> float:
    """Bound of creep as a share of the force: the one stated, or the zero return.

    A cell that creeps under load creeps back when it is taken off, so the zero
    return shows how much.
    """
    if conditions.creep_bound_relative is not None:
        return conditions.creep_bound_relative
    ends = fit.curve.counts(np.array([fit.curve.low_newtons, fit.curve.high_newtons]))
    unloaded = [abs(half) for newtons, half in fit.loop if newtons == 0.0]
    return CREEP_PER_ZERO_RETURN * 2.0 * max(unloaded, default=0.0) / abs(float(ends[1] - ends[0]))


def _rows(matrix: np.ndarray[Any, np.dtype[np.float64]]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())


def _remarks(
    points: Sequence[LoadPoint],
    conditions: Conditions,
    forces: ReferenceForces,
    model: ForceModel,
) -> tuple[str, ...]:
    loads = len({point.mass_kg for point in points if point.mass_kg > 0.0})
    said = [
        (model.run_count < 2, "one run only: repeatability is assumed, not measured"),
        (model.run_count == 2, "two runs only: repeatability is hardly known; take three"),
        (loads < 5, f"{loads} loads only; five or more show the shape of the response"),
        (not model.loop, "no load was reached both ways: reversibility is not known"),
        (not forces.all_traceable, "some weights were weighed in house: not traceable"),
        (
            any(not point.weights and point.mass_kg for point in points),
            "weights were not named: their errors are taken as fully alike, bound "
            f"{1e6 * conditions.mass_bound_relative:.0f} ppm",
        ),
        ("not stated" in conditions.gravity.source, "the place was not stated: gravity is wide"),
        (
            model.interpolation_degrees_of_freedom < 2,
            "few loads for this degree: interpolation error is hardly known",
        ),
    ]
    return tuple(text for holds, text in said if holds)
