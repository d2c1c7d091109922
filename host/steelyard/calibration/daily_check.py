"""Before a session day: one known weight, and what the control chart says about it.

Two questions, kept apart.  Is today's error inside its uncertainty?  That can
be asked from the first day.  Do the errors of many days drift, however small?
That needs a base of days, and is asked by three charts (``control_chart``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

from steelyard.calibration.comparison import ComparedLoad, compare
from steelyard.calibration.control_chart import (
    Chart,
    Cusum,
    cusum,
    ewma_chart,
    individuals_chart,
    moving_range_sd,
)
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.calibration.readings import Conditions, Direction, LoadPoint
from steelyard.calibration.student_t import t_factor
from steelyard.calibration.weights import Weight
from steelyard.errors import ReadingsFileError

BASE: Final = 10
"""Days whose errors set the limits (common practice: ten or more; no source)."""

CHANCE_INSIDE: Final = 0.9973
"""Share of sound days inside the limits: that of ± 3 standard deviations of the normal law."""

EWMA_WEIGHT: Final = 0.2
CUSUM_ALLOWANCE: Final = 0.5
CUSUM_LIMIT: Final = 5.0
"""In standard deviations: half the shift worth seeing, and a limit that a sound channel passes
about once in 465 days (textbook values for the tabular CUSUM, from memory)."""

LEAST_SD_SHARE: Final = 0.05
"""Share of a check's expanded uncertainty below which its day-to-day scatter is luck."""

ZERO_RETURN_LIMIT: Final = 1e-3
"""Largest change of the zero over a check, as a share of the span (common practice)."""


class CheckState(Enum):
    """What to do today."""

    SOUND = "sound"
    DRIFTING = "drifting: calibrate again soon"
    OUT = "out: do not measure, calibrate again"


@dataclass(frozen=True)
class DailyCheck:
    """One check: known and indicated value, error and its expanded uncertainty, zero return."""

    taken_at: str
    weights: tuple[str, ...]
    unit: str
    load: ComparedLoad
    zero_shift_counts: float
    zero_return_relative: float

    @property
    def series(self) -> tuple[str, tuple[str, ...], float]:
        """Checks that belong on one chart have this in common."""
        return self.unit, self.weights, self.load.mass_kg

    def as_plain(self) -> dict[str, Any]:
        """For the history."""
        return {
            "taken_at": self.taken_at,
            "weights": list(self.weights),
            "unit": self.unit,
            "load": dict(vars(self.load)),
            "zero_shift_counts": self.zero_shift_counts,
            "zero_return_relative": self.zero_return_relative,
        }

    @classmethod
    def from_plain(cls, content: Mapping[str, Any]) -> DailyCheck:
        """Back from ``as_plain``; TypeError or KeyError when a part is missing."""
        parts = {"weights": tuple(content["weights"]), "load": ComparedLoad(**content["load"])}
        return cls(**{**content, **parts})


def daily_check(
    calibration: LoadCalibration,
    points: Sequence[LoadPoint],
    conditions: Conditions,
    weights: Mapping[str, Weight] | None = None,
) -> DailyCheck:
    """Judge three readings: without load, with one known load, without load again.

    Raises ReadingsFileError when they are not these three.
    """
    masses = [point.mass_kg > 0.0 for point in points]
    ways = [point.direction for point in points]
    if masses != [False, True, False] or ways[2] is not Direction.DOWN:
        raise ReadingsFileError(
            "A check is three readings, without load, with one weight, and without load again; "
            f"these {len(points)} are not.",
            "Take the check again; for several loads ask for --as-found or --as-left.",
        )
    found = compare(calibration, points, conditions, weights)
    span = abs(quantity_of(calibration).sensitivity * quantity_of(calibration).high)
    return DailyCheck(
        conditions.taken_at,
        points[1].weights,
        found.unit,
        found.loads[0],
        found.zero_shift_counts,
        abs(points[2].counts_mean - points[0].counts_mean) / span,
    )


@dataclass(frozen=True)
class DriftCharts:
    """Three charts over the errors of all days; None before there is a base."""

    errors: tuple[float, ...]
    individuals: Chart | None
    ewma: Chart | None
    sums: Cusum | None

    @property
    def signals(self) -> tuple[str, ...]:
        """What the charts say about the latest day."""
        if self.individuals is None or self.ewma is None or self.sums is None:
            return ()
        latest = len(self.errors) - 1
        said = (
            (latest in self.individuals.outside, "today lies outside the limits of single days"),
            (latest in self.ewma.outside, "the weighted mean of the last days has wandered"),
            (
                latest in self.sums.high_signals or latest in self.sums.low_signals,
                "small errors of one sign have added up (CUSUM)",
            ),
        )
        return tuple(text for holds, text in said if holds)


def drift_charts(errors: Sequence[float], least_sd: float, base: int = BASE) -> DriftCharts:
    """Charts over errors in order of time.

    The first ``base`` set centre and width.  ``least_sd``: noise of a check by
    itself, below which the standard deviation is not believed.  Limits are
    wider than 3 sd as long as the base is short, by Student's t for one more
    value, so that they promise what ± 3 sd promises.
    """
    values = tuple(errors)
    if len(values) < base:
        return DriftCharts(values, None, None, None)
    sd = max(moving_range_sd(values[:base]), least_sd)
    centre = math.fsum(values[:base]) / base
    width = t_factor(CHANCE_INSIDE, base - 1.0) * math.sqrt(1.0 + 1.0 / base)
    grown = sd * width / 3.0
    return DriftCharts(
        values,
        individuals_chart(values, baseline=base, sd=grown),
        ewma_chart(values, centre, grown, weight=EWMA_WEIGHT),
        cusum(values, centre, CUSUM_ALLOWANCE * grown, CUSUM_LIMIT * grown),
    )


def least_check_sd(calibration: LoadCalibration, check: DailyCheck) -> float:
    """Noise of a check by itself, in its unit: one count, or a share of its uncertainty."""
    count = 1.0 / abs(quantity_of(calibration).sensitivity)
    return max(count, LEAST_SD_SHARE * check.load.expanded_uncertainty)


def judge(check: DailyCheck, charts: DriftCharts) -> tuple[CheckState, tuple[str, ...]]:
    """What to do today, and why."""
    reasons = list(charts.signals)
    out = []
    if not check.load.agrees:
        out.append(
            f"error {check.load.error:+.3g} {check.unit}, more than its uncertainty of "
            f"{check.load.expanded_uncertainty:.2g} {check.unit}"
        )
    if check.zero_return_relative > ZERO_RETURN_LIMIT:
        out.append(
            f"the zero came back {100.0 * check.zero_return_relative:.2f} % of the span off: "
            "something touches or is loose"
        )
    if out:
        return CheckState.OUT, (*out, *reasons)
    if reasons:
        return CheckState.DRIFTING, tuple(reasons)
    return CheckState.SOUND, ()
