"""The daily check, written into the history and judged beside those before it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from steelyard.calibration.daily_check import (
    CheckState,
    DailyCheck,
    DriftCharts,
    daily_check,
    drift_charts,
    judge,
    least_check_sd,
)
from steelyard.calibration.history import Act, History
from steelyard.calibration.quantity import LoadCalibration
from steelyard.calibration.readings import Conditions, LoadPoint
from steelyard.calibration.register import Register
from steelyard.calibration.weights import Weight
from steelyard.errors import CalibrationFileError


@dataclass(frozen=True)
class JudgedCheck:
    """A check, those of its series up to it (itself last), their charts, and what to do."""

    check: DailyCheck
    series: tuple[DailyCheck, ...]
    charts: DriftCharts
    state: CheckState
    reasons: tuple[str, ...]


def log_check(
    register: Register,
    calibration: LoadCalibration,
    points: Sequence[LoadPoint],
    conditions: Conditions,
    weights: Mapping[str, Weight],
) -> JudgedCheck:
    """Make a check of three readings, write it down, and judge it.

    Raises ReadingsFileError for other readings, CalibrationError when the history does not
    take it; then nothing is written.
    """
    check = daily_check(calibration, points, conditions, weights)
    name = calibration.calibration_id
    history = register.add(Act.CHECKED, check.taken_at, conditions.operator, name, check.as_plain())
    return _judged(history, calibration, check)


def latest_check(history: History, calibration: LoadCalibration) -> JudgedCheck | None:
    """The last check of a calibration, judged as it was on its day; None: there is none.

    Raises CalibrationFileError when its entry lacks a part.
    """
    checks = _checks(history, calibration)
    return _judged(history, calibration, checks[-1]) if checks else None


def _judged(history: History, calibration: LoadCalibration, check: DailyCheck) -> JudgedCheck:
    series = tuple(item for item in _checks(history, calibration) if item.series == check.series)
    charts = drift_charts([item.load.error for item in series], least_check_sd(calibration, check))
    return JudgedCheck(check, series, charts, *judge(check, charts))


def _checks(history: History, calibration: LoadCalibration) -> list[DailyCheck]:
    try:
        entries = history.of(Act.CHECKED, calibration.calibration_id)
        return [DailyCheck.from_plain(entry.content) for entry in entries]
    except (KeyError, TypeError) as error:
        raise CalibrationFileError(
            f"A check in the history is whole but lacks or misuses a part: {error}.",
            "It was made by a program that does not keep to the layout.",
        ) from error
