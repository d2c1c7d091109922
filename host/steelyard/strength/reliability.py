"""How well a test repeats: intraclass correlation, error of measurement, smallest real change.

Six intraclass correlations: Shrout and Fleiss 1979, Psychological Bulletin
86(2):420-428, from the mean squares of a two-way analysis of variance.
Standard error of measurement and minimal detectable change: Weir 2005, J
Strength Cond Res 19(1):231-240; SEM = sqrt(error mean square), and
MDC95 = 1.96 sqrt(2) SEM.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from steelyard.errors import AnalysisError

NORMAL_95: Final = 1.959963984540054


@dataclass(frozen=True)
class MeanSquares:
    """Of ``n`` clients with ``k`` tests each.

    ``between`` clients, ``within`` clients, between ``tests`` (columns), ``error``.
    """

    between: float
    within: float
    tests: float
    error: float
    n: int
    k: int


def mean_squares(scores: ArrayLike) -> MeanSquares:
    """Two-way analysis of variance of ``scores`` (n, k): a row for each client.

    Raises AnalysisError when there are fewer than two rows or columns, or a
    number is missing.
    """
    table = np.asarray(scores, np.float64)
    if table.ndim != 2 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise AnalysisError(
            f"Reliability needs a whole table of at least two clients by two tests, not "
            f"{' by '.join(map(str, table.shape)) or 'one number'}.",
            "Leave out clients with a test missing.",
        )
    n, k = table.shape
    grand = table.mean()
    rows, columns = table.mean(axis=1), table.mean(axis=0)
    of_rows = k * float(np.sum((rows - grand) ** 2))
    of_columns = n * float(np.sum((columns - grand) ** 2))
    rest = table - rows[:, None] - columns[None, :] + grand
    of_rest = float(np.sum(rest * rest))
    return MeanSquares(
        of_rows / (n - 1),
        (of_columns + of_rest) / (n * (k - 1)),
        of_columns / (k - 1),
        of_rest / ((n - 1) * (k - 1)),
        n,
        k,
    )


@dataclass(frozen=True)
class Reliability:
    """``icc`` by the paper's names: ``1,1`` to ``3,1`` of one test, ``1,k`` to ``3,k`` of means.

    ``sem`` and ``mdc95`` are in the unit of the scores: error about each
    client's own mean, shifts common to all clients left out;
    ``sem_agreement`` has them in.
    """

    icc: dict[str, float]
    sem: float
    sem_agreement: float
    squares: MeanSquares

    @property
    def mdc95(self) -> float:
        """Smallest change between two tests that is real at 95 %."""
        return NORMAL_95 * math.sqrt(2.0) * self.sem


def reliability(scores: ArrayLike) -> Reliability:
    """All six forms, SEM and MDC95 from repeat tests (n, k)."""
    ms = mean_squares(scores)
    n, k = ms.n, ms.k
    icc = {
        "1,1": _ratio(ms.between - ms.within, ms.between + (k - 1) * ms.within),
        "2,1": _ratio(
            ms.between - ms.error,
            ms.between + (k - 1) * ms.error + k * (ms.tests - ms.error) / n,
        ),
        "3,1": _ratio(ms.between - ms.error, ms.between + (k - 1) * ms.error),
        "1,k": _ratio(ms.between - ms.within, ms.between),
        "2,k": _ratio(ms.between - ms.error, ms.between + (ms.tests - ms.error) / n),
        "3,k": _ratio(ms.between - ms.error, ms.between),
    }
    return Reliability(icc, math.sqrt(ms.error), math.sqrt(ms.within), ms)


def _ratio(above: float, below: float) -> float:
    """Not-a-number when all scores are alike: then there is nothing to correlate."""
    return above / below if below > 0.0 else math.nan


def sem_from_icc(standard_deviation: float, icc: float) -> float:
    """SEM = SD sqrt(1 - ICC) (Weir 2005), for figures from the literature."""
    if not (standard_deviation >= 0.0 and icc <= 1.0):
        raise AnalysisError(
            f"No error of measurement follows from SD {standard_deviation:g} and ICC {icc:g}.",
            "An intraclass correlation is at most 1.",
        )
    return standard_deviation * math.sqrt(1.0 - icc)
