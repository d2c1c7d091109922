"""Known positions of the arm, and the arithmetic that fit and use of an angle share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steelyard.calibration.in_service import moment
from steelyard.calibration.least_squares import Array
from steelyard.errors import CalibrationError


@dataclass(frozen=True)
class AnglePoint:
    """One known position: degrees by inclinometer or end stop, and the counts there."""

    angle_degrees: float
    counts_mean: float

    def __post_init__(self) -> None:
        if not (abs(self.angle_degrees) <= 360.0 and math.isfinite(self.counts_mean)):
            raise CalibrationError(
                f"A position of {self.angle_degrees:g}° at {self.counts_mean:g} counts cannot be.",
                "Angles lie between -360 and 360 degrees.",
            )


@dataclass(frozen=True)
class AngleConditions:
    """Circumstances of an angle calibration.

    ``reference_uncertainty_degrees``: standard uncertainty of the positions,
    common to all (inclinometer).  ``cross_talk_bound_degrees``: how much a full
    load changes the angle reading while the arm stands still (bound).
    """

    reference_uncertainty_degrees: float = 0.3
    cross_talk_bound_degrees: float = 0.0
    valid_days: int = 365
    taken_at: str = ""
    operator: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        if not (
            0.0 <= self.reference_uncertainty_degrees <= 10.0
            and 0.0 <= self.cross_talk_bound_degrees <= 10.0
            and 0 < self.valid_days <= 3660
        ):
            raise CalibrationError(
                f"Positions good to {self.reference_uncertainty_degrees:g}°, cross-talk of "
                f"{self.cross_talk_bound_degrees:g}°, valid for {self.valid_days} days: one of "
                "these cannot be.",
                "Uncertainties lie between 0 and 10°, the days between 1 and 3660.",
            )
        if self.taken_at:
            moment(self.taken_at)


def design_rows(
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


def shortest(degrees: Array) -> Array:
    """Difference of two angles by the shorter way, -180 to 180."""
    return np.asarray((degrees + 180.0) % 360.0 - 180.0)


def mean_counts(counts: Sequence[int], counts_per_turn: int) -> float:
    """Mean of angle counts; where they wrap, the mean direction (atan2 of mean sine and cosine).

    Raises CalibrationError when there are none.
    """
    if not counts:
        raise CalibrationError("No angle sample came.", "Check the sensor: steelyard show.")
    if not counts_per_turn:
        return math.fsum(counts) / len(counts)
    turns = [2.0 * math.pi * value / counts_per_turn for value in counts]
    sine = math.fsum(math.sin(turn) for turn in turns)
    cosine = math.fsum(math.cos(turn) for turn in turns)
    return math.atan2(sine, cosine) / (2.0 * math.pi) * counts_per_turn % counts_per_turn


def table_angle(counts: Array, table: tuple[tuple[float, float], ...]) -> Array:
    """Angle (n) by straight lines between the rows of a table; its end lines go on beyond."""
    at, degrees = np.array(table).T
    slopes = np.diff(degrees) / np.diff(at)
    place = np.clip(np.searchsorted(at, counts) - 1, 0, at.size - 2)
    return np.asarray(degrees[place] + slopes[place] * (counts - at[place]))
