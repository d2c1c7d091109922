"""Agreement of two ways, or two days, of measuring: Bland and Altman 1986, Lancet i:307-310."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from steelyard.calibration.student_t import t_factor
from steelyard.errors import AnalysisError
from steelyard.strength.reliability import NORMAL_95

LEAST_PAIRS: Final = 3


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Differences of ``pairs`` pairs: mean, standard deviation, limits, and intervals of 95 %."""

    pairs: int
    mean: float
    standard_deviation: float
    lower: float
    upper: float
    mean_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, factor: float = NORMAL_95
) -> LimitsOfAgreement:
    """Limits mean ± factor·SD of first less second, both (n); the paper of 1986 takes factor 2.

    Standard error of a limit: sqrt(3 SD² / n), as in the paper.
    Raises AnalysisError for fewer than three pairs.
    """
    one, two = np.asarray(first, np.float64), np.asarray(second, np.float64)
    if one.shape != two.shape or one.ndim != 1 or len(one) < LEAST_PAIRS:
        raise AnalysisError(
            f"{one.size} and {two.size} values do not make at least {LEAST_PAIRS} pairs.",
            "Give one value of each for every client.",
        )
    differences = one - two
    count = len(differences)
    mean, spread = float(differences.mean()), float(differences.std(ddof=1))
    t = t_factor(0.95, count - 1)
    lower, upper = mean - factor * spread, mean + factor * spread
    of_mean, of_limit = t * spread / math.sqrt(count), t * spread * math.sqrt(3.0 / count)
    return LimitsOfAgreement(
        count,
        mean,
        spread,
        lower,
        upper,
        (mean - of_mean, mean + of_mean),
        (lower - of_limit, lower + of_limit),
        (upper - of_limit, upper + of_limit),
    )
