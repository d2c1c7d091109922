"""Visit to visit: station by station and over the whole curve, and whether a change is real."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from steelyard.errors import AnalysisError, ReportError
from steelyard.report.tested_visit import TestedVisit
from steelyard.strength.before_after import SAME_STATION_DEGREES
from steelyard.strength.measured import Measured
from steelyard.strength.torque_curve import CurvePoint, TorqueCurve
from steelyard.strength.visits import (
    Change,
    DetectableChange,
    Trend,
    detectable_change,
    judge_change,
    learning_effect,
    trend,
)

WHOLE_CURVE: Final = "whole curve"
LEAST_RANGE_DEGREES: Final = 10.0
FIRST_TEST: Final = (
    "The earliest of these visits is the first test on record: part of a first gain is learning "
    "to do the test (common practice). Take the second test as the baseline."
)


@dataclass(frozen=True)
class Line:
    """One station, or the mean over the whole curve, through the visits.

    ``values`` holds one for each visit, oldest first, the present one last; None where it was
    not tested there.  ``since_last`` and ``since_baseline`` judge the change; the
    baseline is the second test where there is one, because the first includes learning.
    """

    name: str
    values: tuple[Measured | None, ...]
    since_last: Change | None
    since_baseline: Change | None
    trend: Trend | None


@dataclass(frozen=True)
class VisitComparison:
    """All lines; ``days`` are the dates of the visits, ``remarks`` what to bear in mind."""

    days: tuple[str, ...]
    lines: tuple[Line, ...]
    detectable: DetectableChange
    baseline: int
    remarks: tuple[str, ...]
    earlier: tuple[TestedVisit, ...]

    @property
    def whole(self) -> Line | None:
        """The line of the whole curve; None where the curves have no range in common."""
        return next((one for one in self.lines if one.name == WHOLE_CURVE), None)


def compare_visits(
    earlier: Sequence[TestedVisit], now: TestedVisit, repeats: ArrayLike | None = None
) -> VisitComparison | None:
    """Compare the present visit with earlier ones of the same client on the same machine.

    ``repeats``: repeat tests of the practice's clients (n clients, k tests) in N·m, from which the
    smallest real change is taken once there are enough.  None without earlier visits.

    Raises ReportError for a visit of another client or machine.
    """
    before = _before(earlier, now)
    if not before:
        return None
    visits = [*before, now]
    baseline = 1 if len(visits) > 2 else 0
    detectable = detectable_change(repeats, now.joint)
    lines = [
        _line(f"at {point.degrees:z.0f}°", [_near(one, point.degrees) for one in visits], visits,
              baseline, detectable)
        for point in now.points
    ]  # fmt: skip
    means = _whole_means(visits)
    if means is not None:
        lines.append(_line(WHOLE_CURVE, means, visits, baseline, detectable))
    return VisitComparison(
        tuple(one.day for one in visits),
        tuple(lines),
        detectable,
        baseline,
        tuple(_remarks(visits, repeats, means)),
        tuple(before),
    )


def _before(earlier: Sequence[TestedVisit], now: TestedVisit) -> list[TestedVisit]:
    for one in earlier:
        if one.client_code != now.client_code:
            raise ReportError(
                f"The earlier result of {one.day} is of client {one.client_code or '(none)'}, this "
                f"session of {now.client_code or '(none)'}.",
                "Compare visits of one client only.",
            )
        if one.machine.casefold() != now.machine.casefold():
            raise ReportError(
                f"The earlier result of {one.day} was made on {one.machine}, this session on "
                f"{now.machine}.",
                "Torques of two machines are not compared.",
            )
    found = {
        one.recording_id: one
        for one in earlier
        if one.recording_id != now.recording_id and one.recorded_at <= now.recorded_at
    }
    return sorted(found.values(), key=lambda one: one.recorded_at)


def _near(visit: TestedVisit, degrees: float) -> Measured | None:
    """Tested within three degrees of it; never taken from the curve between."""
    for point in visit.points:
        if abs(point.degrees - degrees) < SAME_STATION_DEGREES:
            return Measured(point.torque_nm, point.standard_uncertainty, "N·m")
    return None


def _line(
    name: str,
    values: Sequence[Measured | None],
    visits: Sequence[TestedVisit],
    baseline: int,
    detectable: DetectableChange,
) -> Line:
    now, last, base = values[-1], values[-2], values[baseline]
    known = [
        (visit.days, value.value)
        for visit, value in zip(visits[baseline:], values[baseline:], strict=True)
        if value is not None
    ]
    try:
        found = trend([day for day, _ in known], [torque for _, torque in known])
    except AnalysisError:
        found = None
    return Line(
        name,
        tuple(values),
        judge_change(last, now, detectable) if last and now else None,
        judge_change(base, now, detectable) if base and now else None,
        found,
    )


def _whole_means(visits: Sequence[TestedVisit]) -> list[Measured | None] | None:
    """Mean torque over the range that the present curve and all others have in common."""
    curves = [one.curve for one in visits]
    there = [one for one in curves if one is not None]
    if curves[-1] is None or len(there) < 2:
        return None
    low = max(one.low_degrees for one in there)
    high = min(one.high_degrees for one in there)
    if high - low < LEAST_RANGE_DEGREES:
        return None
    return [None if one is None else mean_torque(one, low, high) for one in curves]


def mean_torque(curve: TorqueCurve, low_degrees: float, high_degrees: float) -> Measured:
    """Area under a part of the curve over the length of that part, in N·m."""
    inside = [one for one in curve.points if low_degrees < one.degrees < high_degrees]
    points = [_between(curve, low_degrees), *inside, _between(curve, high_degrees)]
    width = math.radians(high_degrees - low_degrees)
    return TorqueCurve(tuple(points)).area().scaled(1.0 / width, "N·m")


def _between(curve: TorqueCurve, degrees: float) -> CurvePoint:
    at = curve.at(degrees)
    common = np.interp(
        degrees, [one.degrees for one in curve.points], [one.common_u for one in curve.points]
    )
    return CurvePoint(degrees, at.value, at.standard_uncertainty, float(common))


def _remarks(
    visits: Sequence[TestedVisit],
    repeats: ArrayLike | None,
    means: Sequence[Measured | None] | None,
) -> list[str]:
    said = [FIRST_TEST]
    if repeats is not None:
        try:
            said.append(learning_effect(repeats).text())
        except AnalysisError as error:
            said.append(str(error))
    if means is None:
        said.append("The curves have no range in common: the whole curve is not compared.")
    missing = [one.day for one in visits[:-1] if not one.points]
    if missing:
        said.append(f"No valid effort in the test of {', '.join(missing)}: it compares nothing.")
    return said
