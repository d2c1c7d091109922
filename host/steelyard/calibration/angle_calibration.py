"""What turns counts of an angle channel into degrees: the record and its use.

A magnetic sensor turns with the shaft, so one turn of counts is one turn of
the arm: only direction and offset are open, and with enough points the
first harmonic that a magnet off the axis adds, (e/R) sin(θ - φ).  A
potentiometer has a scale of its own and gets a straight line, or a table
where it is not straight.  ``angle_fit`` finds the numbers.

Angles come out as a continuous number about the middle of the known positions
(±180°), so that an arm that passes the sensor's zero does not jump.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from steelyard.calibration import angle_content
from steelyard.calibration.angle_points import (
    AngleConditions,
    AnglePoint,
    design_rows,
    shortest,
    table_angle,
)
from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.canonical_json import content_hash, open_sealed, sealed_text
from steelyard.calibration.in_service import age_days, due_on
from steelyard.calibration.least_squares import Array
from steelyard.calibration.readings import Binding
from steelyard.calibration.uncertainty import Budget, BudgetLine

EXTRAPOLATION_DEGREES: Final = 5.0


@dataclass(frozen=True)
class AngleReadings:
    """Values for n counts: degrees, standard uncertainty in degrees, beyond the positions."""

    angle_degrees: Array
    standard_uncertainty_degrees: Array
    extrapolated: NDArray[np.bool_]


@dataclass(frozen=True)
class AngleCalibration:
    """What turns counts of an angle channel into degrees.

    ``coefficients`` belong to the rows of ``design_rows``: offset in degrees,
    then for a sensor that turns, if fitted, cosine and sine of its own angle;
    for a potentiometer degrees per half range.  ``direction`` is +1 or -1.
    With a ``table`` of (counts, degrees), rising in counts, there are no
    coefficients.
    """

    binding: Binding
    counts_per_turn: int
    direction: int
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    counts_centre: float
    counts_half_range: float
    low_degrees: float
    high_degrees: float
    residual_sd_degrees: float
    points: tuple[AnglePoint, ...]
    conditions: AngleConditions = field(default_factory=AngleConditions)
    table: tuple[tuple[float, float], ...] = ()
    table_error_degrees: float = 0.0
    """Bound of what straight lines between the rows of the table miss."""

    @property
    def calibration_id(self) -> str:
        """SHA-256 of the content, in hexadecimal: the calibration's name."""
        return content_hash(angle_content.plain(self))

    @property
    def due_on(self) -> date | None:
        """The day by which to calibrate again; None when the calibration bears no date."""
        return due_on(self.conditions.taken_at, self.conditions.valid_days)

    def age_days(self, now: str) -> float:
        """Days since it was made (ISO 8601); 0 when it bears no date."""
        taken_at = self.conditions.taken_at
        return age_days(taken_at, now) if taken_at else 0.0

    @property
    def eccentricity_degrees(self) -> float:
        """Amplitude of the first harmonic; 0 where it was not fitted."""
        return math.hypot(*self.coefficients[1:]) if self.counts_per_turn else 0.0

    @property
    def residuals_degrees(self) -> Array:
        """Of each position: known angle less the angle this calibration gives there."""
        known = np.array([point.angle_degrees for point in self.points])
        found = self._angle(np.array([point.counts_mean for point in self.points]))
        return shortest(known - found)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is weak about it."""
        said = [
            (
                self.conditions.cross_talk_bound_degrees == 0.0,
                "no bound is stated for what a load does to the angle reading (bending of the "
                "mounting)",
            ),
            (len(self.points) < 3, "two positions only: nothing shows whether they agree"),
            (not self.conditions.taken_at, "not dated: it has no due date"),
        ]
        return tuple(text for holds, text in said if holds)

    def angle(self, counts: ArrayLike) -> AngleReadings:
        """Turn ``counts`` (n) into degrees; a sample without a reading gives not-a-number."""
        raw = np.atleast_1d(np.asarray(counts, dtype=np.float64))
        raw = np.where(raw == NO_COUNTS, np.nan, raw)
        angle = self._angle(raw)
        variance = np.where(np.isnan(raw), np.nan, self._common_variance())
        if not self.table:
            terms = self._terms(raw)
            variance += np.einsum("ni,ij,nj->n", terms, np.array(self.covariance), terms)
        beyond = (angle < self.low_degrees - EXTRAPOLATION_DEGREES) | (
            angle > self.high_degrees + EXTRAPOLATION_DEGREES
        )
        return AngleReadings(angle, np.sqrt(variance), beyond)

    def budget(self, angle_degrees: float) -> Budget:
        """Uncertainty of one reading near an angle, line by line, in degrees.

        The fit's line is that of the nearest known position.
        """
        lines = list(self._common_lines())
        if not self.table:
            nearest = min(self.points, key=lambda at: abs(at.angle_degrees - angle_degrees))
            row = self._terms(np.array([nearest.counts_mean]))[0]
            spread = math.sqrt(max(0.0, float(row @ np.array(self.covariance) @ row)))
            free = len(self.points) - len(self.coefficients)
            known = float(free) if free else math.inf
            lines.append(BudgetLine("fit to the positions", spread, "°", "normal", 1.0, known, "A"))
        return Budget(tuple(lines), "°")

    def to_json(self) -> str:
        """The whole record as sealed text; ``from_json`` takes nothing else."""
        return sealed_text(angle_content.plain(self))

    @classmethod
    def from_json(cls, text: str) -> AngleCalibration:
        """Read a record back.

        Raises CalibrationFileError when a byte was changed or the version is not known.
        """
        return cls(**angle_content.parts(open_sealed(text)))

    def summary_lines(self) -> list[str]:
        """The result for a person."""
        worst = float(np.abs(self.residuals_degrees).max())
        middle = 0.5 * (self.low_degrees + self.high_degrees)
        shape = "potentiometer, straight line"
        if self.table:
            shape = f"potentiometer, table of {len(self.table)} rows"
        elif self.counts_per_turn:
            shape = f"{self.counts_per_turn} counts a turn, eccentricity "
            shape += f"{self.eccentricity_degrees:.2f}°" if self.coefficients[1:] else "not fitted"
        return [
            f"calibration {self.calibration_id[:12]} of box {self.binding.box_id}, "
            f"channel {self.binding.channel}, sensor {self.binding.sensor_serial or 'unnamed'}",
            f"angle, {self.low_degrees:g} to {self.high_degrees:g}°, {len(self.points)} positions, "
            f"direction {'with' if self.direction > 0 else 'against'} the counts; {shape}",
            f"largest deviation of a position: {worst:.2f}°; "
            f"U = {self.budget(middle).expanded_uncertainty:.2f}° (95 %)",
            *([f"due: {self.due_on}"] if self.due_on else []),
            *(f"note: {remark}" for remark in self.remarks),
        ]

    def _angle(self, raw: Array) -> Array:
        if self.table:
            return table_angle(raw, self.table)
        angle = np.asarray(self._terms(raw) @ np.array(self.coefficients))
        if self.counts_per_turn:
            turned = self.direction * 360.0 / self.counts_per_turn * raw
            middle = 0.5 * (self.low_degrees + self.high_degrees)
            angle = middle + shortest(angle + turned - middle)
        return angle

    def _terms(self, counts: Array) -> Array:
        return design_rows(
            counts,
            self.counts_per_turn,
            self.counts_centre,
            self.counts_half_range,
            len(self.coefficients) > 1,
        )

    def _common_lines(self) -> tuple[BudgetLine, ...]:
        """What does not depend on the angle."""
        cross_talk = self.conditions.cross_talk_bound_degrees
        return (
            BudgetLine("reference positions", self.conditions.reference_uncertainty_degrees, "°"),
            BudgetLine("scatter of positions", self.residual_sd_degrees, "°"),
            BudgetLine("cross-talk of a load", cross_talk, "°", "rectangular"),
            BudgetLine("straight lines of the table", self.table_error_degrees, "°", "rectangular"),
        )

    def _common_variance(self) -> float:
        return math.fsum(line.contribution**2 for line in self._common_lines())
