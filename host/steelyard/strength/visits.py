"""Visit to visit: is a change real, and is the first test to be trusted?

A change is real when it exceeds the minimal detectable change: from the
practice's own repeat tests once there are enough, from the literature until
then.  That is not the measurement's uncertainty, which is far smaller: people
vary more from day to day than load cells do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from steelyard.calibration.student_t import t_factor
from steelyard.errors import AnalysisError
from steelyard.strength.machine_profile import Joint
from steelyard.strength.measured import Measured
from steelyard.strength.reliability import NORMAL_95, reliability

ENOUGH_CLIENTS: Final = 10
"""Clients with repeat tests from which the practice's own figures are used: with 10 the error of
measurement is known to about a quarter (chi-squared, 9 degrees of freedom)."""


@dataclass(frozen=True)
class DetectableChange:
    """MDC95 in N·m, or in percent of the earlier value where ``percent``; and where it is from."""

    value: float
    percent: bool
    source: str

    def at(self, earlier_nm: float) -> float:
        """In N·m, for a change from this value."""
        return 0.01 * self.value * earlier_nm if self.percent else self.value


def _from_standard_error_of_estimate(see_nm: float, r: float) -> float:
    """MDC95 from a standard error of estimate: SEE = SD sqrt(1 - r²), SEM = SD sqrt(1 - r)."""
    return NORMAL_95 * math.sqrt(2.0) * see_nm / math.sqrt(1.0 + r)


LITERATURE: Final = {
    Joint.LUMBAR: DetectableChange(
        _from_standard_error_of_estimate(25.1, 0.93),
        False,
        "best station of men in: Reliability of lumbar isometric torque in patients with chronic "
        "low back pain, Phys Ther 1992 (SEE 25.1 N·m, r 0.93; stations differ, up to 62 N·m)",
    ),
    Joint.CERVICAL: DetectableChange(
        20.1,
        True,
        "Strimpakos et al. 2004, maximal isometric neck strength: smallest detectable difference "
        "up to 20.1 %",
    ),
}


def detectable_change(
    repeats: ArrayLike | None, joint: Joint, enough: int = ENOUGH_CLIENTS
) -> DetectableChange:
    """From own repeat tests (n clients, k tests) [N·m] when there are enough, or literature."""
    table = None if repeats is None else np.asarray(repeats, np.float64)
    if table is None or table.ndim != 2 or len(table) < enough or table.shape[1] < 2:
        return LITERATURE[joint]
    found = reliability(table)
    return DetectableChange(
        found.mdc95,
        False,
        f"the practice's own repeat tests of {len(table)} clients (ICC(2,1) "
        f"{found.icc['2,1']:.2f}, SEM {found.sem:.1f} N·m)",
    )


@dataclass(frozen=True)
class Change:
    """From one visit to another, in N·m; ``text`` says what to make of it."""

    change: Measured
    detectable_nm: float
    real: bool
    text: str


def judge_change(earlier: Measured, later: Measured, detectable: DetectableChange) -> Change:
    """Whether a change between two visits is real at 95 %.

    The measurement's own uncertainty counts too where it is the larger one.
    """
    change = Measured(
        later.value - earlier.value,
        math.hypot(earlier.standard_uncertainty, later.standard_uncertainty),
        "N·m",
    )
    limit = max(detectable.at(earlier.value), change.expanded_uncertainty)
    real = abs(change.value) > limit
    verdict = "more than repeat tests differ by" if real else "no more than repeat tests differ by"
    text = f"{change.value:+.1f} N·m: {verdict} ({limit:.1f} N·m at 95 %; {detectable.source})"
    return Change(change, limit, real, text)


@dataclass(frozen=True)
class Trend:
    """Change per 30 days by a straight line through all visits; U at 95 %, Student's t."""

    per_month: Measured
    coverage_factor: float
    visits: int

    @property
    def real(self) -> bool:
        """Whether the slope differs from none at 95 %."""
        return (
            abs(self.per_month.value) > self.coverage_factor * self.per_month.standard_uncertainty
        )


def trend(days: Sequence[float], torque_nm: Sequence[float]) -> Trend:
    """Straight line through at least three visits.

    Raises AnalysisError with fewer, or all on one day.
    """
    at, value = np.asarray(days, np.float64), np.asarray(torque_nm, np.float64)
    if len(at) < 3 or len(at) != len(value) or float(np.ptp(at)) == 0.0:
        raise AnalysisError(
            f"{len(at)} visits make no trend.", "At least three on different days do."
        )
    centred = at - at.mean()
    square = float(centred @ centred)
    slope = float(centred @ value) / square
    rest = value - value.mean() - slope * centred
    spread = math.sqrt(float(rest @ rest) / (len(at) - 2) / square)
    return Trend(
        Measured(30.0 * slope, 30.0 * spread, "N·m per 30 days"),
        t_factor(0.95, len(at) - 2),
        len(at),
    )


@dataclass(frozen=True)
class LearningEffect:
    """Mean change from the first to the second test of all clients, with its interval of 95 %.

    ``later_nm``: the mean change from the second to the last, None with two tests.
    """

    first_nm: float
    interval_nm: tuple[float, float]
    later_nm: float | None

    @property
    def present(self) -> bool:
        """Whether clients did better the second time, beyond chance."""
        return self.interval_nm[0] > 0.0

    def text(self) -> str:
        """What follows from it."""
        if not self.present:
            return "No learning effect is seen between the first test and the second."
        return (
            f"The second test was higher by {self.first_nm:.1f} N·m on average: part of a first "
            "gain is learning to do the test. Take the second test as the baseline."
        )


def learning_effect(scores: ArrayLike) -> LearningEffect:
    """From first tests and their repeats (n clients, k tests in order), by paired differences.

    Raises AnalysisError with fewer than three clients or two tests.
    """
    table = np.asarray(scores, np.float64)
    if table.ndim != 2 or table.shape[0] < 3 or table.shape[1] < 2:
        raise AnalysisError(
            "A learning effect shows only in repeat tests of three clients or more.",
            "Test again within a few days, before training has had an effect.",
        )
    steps = table[:, 1] - table[:, 0]
    half = t_factor(0.95, len(steps) - 1) * float(steps.std(ddof=1)) / math.sqrt(len(steps))
    mean = float(steps.mean())
    later = float(np.mean(table[:, -1] - table[:, 1])) if table.shape[1] > 2 else None
    return LearningEffect(mean, (mean - half, mean + half), later)
