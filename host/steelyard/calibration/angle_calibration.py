"""From angle counts to degrees, by known positions of the arm.

A magnetic sensor turns with the shaft, so one turn of counts is one turn of
the arm: only direction and offset are open, and with enough points the
first harmonic that a magnet off the axis adds, (e/R) sin(θ - φ).  A
potentiometer has a scale of its own and gets a straight line.

Angles come out as a continuous number about the middle of the known positions
(±180°), so that an arm that passes the sensor's zero does not jump.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.least_squares import Array, LeastSquares, solve
from steelyard.calibration.readings import Binding
from steelyard.errors import PoorFitError

RESIDUAL_LIMIT_DEGREES: Final = 2.0
"""A known position further off than this is a slip (common practice, no source)."""

HARMONIC_POINTS: Final = 6
HARMONIC_SPAN_DEGREES: Final = 120.0
"""Fewer points, or a shorter arc, cannot tell eccentricity from a wrong position."""

EXTRAPOLATION_DEGREES: Final = 5.0


@dataclass(frozen=True)
class AnglePoint:
    """One known position: degrees by inclinometer or end stop, and the counts there."""

    angle_degrees: float
    counts_mean: float


@dataclass(frozen=True)
class AngleReadings:
    """Values for n counts: degrees, standard uncertainty in degrees, beyond the positions."""

    angle_degrees: Array
    standard_uncertainty_degrees: Array
    extrapolated: NDArray[np.bool_]


@dataclass(frozen=True)
class AngleCalibration:
    """What turns counts of an angle channel into degrees.

    ``coefficients`` belong to the rows of ``_terms``: offset in degrees, then
    for a sensor that turns, if fitted, cosine and sine of its own angle; for a
    potentiometer degrees per half range.  ``direction`` is +1 or -1.
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
    reference_uncertainty_degrees: float

    @property
    def eccentricity_degrees(self) -> float:
        """Amplitude of the first harmonic; 0 where it was not fitted."""
        return math.hypot(*self.coefficients[1:]) if self.counts_per_turn else 0.0

    def angle(self, counts: ArrayLike) -> AngleReadings:
        """Turn ``counts`` (n) into degrees; a sample without a reading gives not-a-number."""
        raw = np.atleast_1d(np.asarray(counts, dtype=np.float64))
        raw = np.where(raw == NO_COUNTS, np.nan, raw)
        terms = self._terms(raw)
        angle = terms @ np.array(self.coefficients)
        if self.counts_per_turn:
            turned = self.direction * 360.0 / self.counts_per_turn * raw
            middle = 0.5 * (self.low_degrees + self.high_degrees)
            angle = middle + _shortest(angle + turned - middle)
        variance = np.einsum("ni,ij,nj->n", terms, np.array(self.covariance), terms)
        variance += self.residual_sd_degrees**2 + self.reference_uncertainty_degrees**2
        beyond = (angle < self.low_degrees - EXTRAPOLATION_DEGREES) | (
            angle > self.high_degrees + EXTRAPOLATION_DEGREES
        )
        return AngleReadings(angle, np.sqrt(variance), beyond)

    def _terms(self, counts: Array) -> Array:
        return _terms(
            counts,
            self.counts_per_turn,
            self.counts_centre,
            self.counts_half_range,
            len(self.coefficients) > 1,
        )


def calibrate_angle(
    points: Sequence[AnglePoint],
    binding: Binding,
    *,
    counts_per_turn: int,
    reference_uncertainty_degrees: float = 0.3,
) -> AngleCalibration:
    """Calibrate an angle channel from two or more known positions.

    ``counts_per_turn`` 0 means a potentiometer.  ``reference_uncertainty_degrees``
    is the standard uncertainty of the positions, common to all (inclinometer).
    Raises PoorFitError, naming the point, when the positions contradict each other.
    """
    angles = np.array([point.angle_degrees for point in points])
    counts = np.array([point.counts_mean for point in points])
    if angles.size < 2 or np.ptp(angles) < 5.0:
        raise PoorFitError(
            f"{angles.size} positions over {np.ptp(angles) if angles.size else 0.0:.1f}° cannot "
            "give the direction of the angle.",
            "Use two positions or more, at least 5° apart, best the ends and the middle.",
        )
    centre = 0.5 * float(counts.min() + counts.max())
    half_range = max(0.5 * float(np.ptp(counts)), 1.0)
    direction, response = 1, angles
    if counts_per_turn:
        direction, response = _offsets(angles, counts * 360.0 / counts_per_turn)
    harmonic = angles.size >= HARMONIC_POINTS and np.ptp(angles) >= HARMONIC_SPAN_DEGREES
    terms = _terms(counts, counts_per_turn, centre, half_range, harmonic or not counts_per_turn)
    fit = solve(terms, response)
    _check(points, fit)
    if not counts_per_turn:
        direction = 1 if fit.estimates[1] > 0.0 else -1
    return AngleCalibration(
        binding,
        counts_per_turn,
        direction,
        tuple(fit.estimates.tolist()),
        tuple(tuple(row) for row in fit.covariance.tolist()),
        centre,
        half_range,
        float(angles.min()),
        float(angles.max()),
        fit.residual_sd,
        reference_uncertainty_degrees,
    )


def _terms(
    counts: Array, counts_per_turn: int, centre: float, half_range: float, more: bool
) -> Array:
    """Rows (n, p) of the fit: a constant, then harmonic or scale where wanted."""
    columns = [np.where(np.isnan(counts), np.nan, 1.0)]
    if counts_per_turn and more:
        own = counts * (2.0 * math.pi / counts_per_turn)
        columns += [np.cos(own), np.sin(own)]
    elif more:
        columns.append((counts - centre) / half_range)
    return np.column_stack(columns)


def _offsets(angles: Array, turned: Array) -> tuple[int, Array]:
    """Direction, and each point's offset in degrees without a jump between them.

    With the right direction the offsets agree; with the wrong one they spread
    by twice the arc.
    """
    best: tuple[float, int, Array] | None = None
    for direction in (1, -1):
        offsets = angles - direction * turned
        radians = np.radians(offsets)
        mean = math.degrees(math.atan2(float(np.sin(radians).sum()), float(np.cos(radians).sum())))
        together = mean + _shortest(offsets - mean)
        spread = float(np.ptp(together))
        if best is None or spread < best[0]:
            best = (spread, direction, together)
    if best is None:
        raise PoorFitError("There are no positions.", "Give two or more.")
    return best[1], best[2]


def _shortest(degrees: Array) -> Array:
    """Difference of two angles by the shorter way, -180 to 180."""
    return np.asarray((degrees + 180.0) % 360.0 - 180.0)


def _check(points: Sequence[AnglePoint], fit: LeastSquares) -> None:
    worst = int(np.argmax(np.abs(fit.residuals)))
    off = abs(float(fit.residuals[worst]))
    if off > RESIDUAL_LIMIT_DEGREES:
        raise PoorFitError(
            f"Position {worst + 1} ({points[worst].angle_degrees:g}°) is {off:.1f}° off the "
            f"others; {RESIDUAL_LIMIT_DEGREES:g}° is allowed.",
            "Set the arm there again; check sign and reading of the inclinometer, and that the "
            "magnet does not slip.",
        )
