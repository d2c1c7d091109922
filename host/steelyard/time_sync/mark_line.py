"""The line through time marks, and how far each mark is trusted.  Pure numpy.

A mark's error is bounded by half its round trip (RFC 5905), and which of the two
directions was held up is not known.  Three things follow, and are estimated from
the marks themselves where there are enough of them:

- what a round trip exceeds the shortest one by lies in one direction to some share
  (a host that wakes up late is late on one side only), so the line has that share
  as a third unknown, between -1 and 1;
- what the share does not explain grows with the excess;
- even marks of the shortest round trip scatter: over USB, whose frames come once a
  millisecond, a round trip may be the same each time and its middle anywhere in it.

The slope has a prior: crystals are known to be right within some 50 ppm (common
practice for plain quartz, no source), which is what makes a fit of one mark
meaningful.  Marks that no delay explains are left out; a median of pairwise slopes
(H. Theil 1950, P. K. Sen 1968) finds them without being pulled along by them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from steelyard.time_sync.marks import MarkColumns

SLOPE_PRIOR: Final = 50e-6
"""Standard uncertainty of a crystal's rate before anything was measured."""
MARK_FLOOR_US: Final = 5.0
"""Standard uncertainty of the best of marks: tick resolution and time stamping."""
_SHARE_VARIANCE: Final = 1 / 3
"""Of a share that may lie anywhere between -1 and 1 (rectangular, GUM 4.3.7)."""
_OUTLIER_LIMIT: Final = 6.0
_THINNED_MARKS: Final = 64
_QUICK_PART: Final = 4
"""The quickest quarter of the marks tells how much the best of them scatter."""
_ROUNDS: Final = 3
_T_FREEDOM: Final = (1, 2, 3, 4, 5, 6, 8, 10, 20, 50)
_T_95: Final = (12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.31, 2.23, 2.09, 2.01)
"""Student's t for 95 % (GUM table G.2)."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class MarkLine:
    """``ahead = offset + slope * elapsed``, both from the marks' centre."""

    offset_us: float
    slope: float
    covariance: FloatArray
    """Of offset [us] and slope, shape (2, 2)."""
    residuals_us: FloatArray
    """Of the marks kept, shape (n,)."""
    unmodelled_us: float
    """Root mean square of what the line misses, marks weighted as for the line."""
    kept: npt.NDArray[np.bool_]
    """Which of all marks count, shape (m,)."""


@dataclass(frozen=True)
class _Points:
    """Marks about their centre: how far the host's clock is ahead of the device's [us]."""

    elapsed_us: FloatArray
    ahead_us: FloatArray
    excess_us: FloatArray
    """Half of what the round trip exceeds the shortest one by."""
    shortest_us: float
    """Half of the shortest round trip."""

    def kept(self, keep: npt.NDArray[np.bool_]) -> _Points:
        columns = (self.elapsed_us[keep], self.ahead_us[keep], self.excess_us[keep])
        return _Points(*columns, self.shortest_us)


def fit_line(marks: MarkColumns, centre: int) -> MarkLine:
    """Fit the line through marks of one boot, elapsed time counted from mark ``centre``."""
    elapsed = (marks.device_us - marks.device_us[centre]).astype(np.float64)
    host_us = (marks.host_monotonic_ns - marks.host_monotonic_ns[centre]) / 1000
    round_trips = marks.round_trip_us.astype(np.float64)
    shortest = round_trips.min()
    points = _Points(elapsed, host_us - elapsed, (round_trips - shortest) / 2, shortest / 2)
    kept = _plausible(points)
    points = points.kept(kept)
    system = _System(points)
    variances = _variances_before(points)
    if len(points.ahead_us) > 2:
        spread = _Spread(points)
        for _ in range(_ROUNDS):
            variances = spread.variances(system.solve(variances)[2])
    solution, covariance, residuals = system.solve(variances)
    weights = 1 / variances
    return MarkLine(
        offset_us=float(solution[0]),
        slope=float(solution[1]),
        covariance=covariance[:2, :2],
        residuals_us=residuals,
        unmodelled_us=math.sqrt(float(weights @ residuals**2) / float(weights.sum())),
        kept=kept,
    )


def _variances_before(points: _Points) -> FloatArray:
    """Variance of each mark [us^2] by its round trip alone, rectangular; shape (n,)."""
    widest = points.shortest_us**2 + points.excess_us**2
    variances: FloatArray = MARK_FLOOR_US**2 + widest * _SHARE_VARIANCE
    return variances


class _Spread:
    """How far marks scatter about a line, three of them or more."""

    def __init__(self, points: _Points) -> None:
        count = len(points.excess_us)
        by_delay = np.argsort(points.excess_us, kind="stable")
        quick_count = max(3, count // _QUICK_PART)
        self._quick, self._slow = by_delay[:quick_count], by_delay[quick_count:]
        self._freedom_factor = count / (count - 2)
        self._few_factor = (float(np.interp(quick_count - 2, _T_FREEDOM, _T_95)) / 2) ** 2
        self._shortest_variance = points.shortest_us**2 * _SHARE_VARIANCE
        self._excess_squares = points.excess_us**2
        self._slow_square = float(self._excess_squares[self._slow].sum())

    def variances(self, residuals: FloatArray) -> FloatArray:
        """Variance of each mark [us^2] as the residuals show it; shape (n,).

        Few residuals may be small by chance, so what they show is widened by Student's t,
        but not beyond what the shortest round trip allows.
        """
        squares = residuals**2
        scatter = float(squares[self._quick].mean()) * self._freedom_factor
        common = min(scatter * self._few_factor, max(scatter, self._shortest_variance))
        beyond = float((squares[self._slow] - scatter).sum())
        growth = beyond / self._slow_square if self._slow_square else 0.0
        growth = min(max(growth, 0.0), _SHARE_VARIANCE)
        variances: FloatArray = (MARK_FLOOR_US**2 + common) + growth * self._excess_squares
        return variances


class _System:
    """The three unknowns of the line: offset, slope and one-sided share.

    The priors of slope and share count as one observation each.
    """

    def __init__(self, points: _Points) -> None:
        # All columns of like size, or the 3 by 3 system loses digits.
        reach = max(1.0, float(np.abs(points.elapsed_us).max()))
        self._ahead_us = points.ahead_us
        self._columns = np.array(
            [np.ones(len(points.ahead_us)), points.elapsed_us / reach, points.excess_us]
        )
        self._prior = np.diag([0.0, (SLOPE_PRIOR * reach) ** -2.0, 1 / _SHARE_VARIANCE])
        self._unscale = np.array([1.0, 1.0 / reach, 1.0])

    def solve(self, variances: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The unknowns; their covariance, shape (3, 3); the residuals, shape (n,)."""
        weighted = self._columns / variances
        covariance = np.linalg.inv(weighted @ self._columns.T + self._prior)
        solution = covariance @ (weighted @ self._ahead_us)
        residuals = self._ahead_us - solution @ self._columns
        unscaled: FloatArray = covariance * self._unscale * self._unscale[:, np.newaxis]
        return solution * self._unscale, unscaled, residuals


def _plausible(points: _Points) -> npt.NDArray[np.bool_]:
    """Which marks to keep: those near the line that most of them agree on; shape (n,)."""
    if len(points.ahead_us) < 4:
        return np.ones(len(points.ahead_us), np.bool_)
    allowed = np.sqrt(MARK_FLOOR_US**2 + points.excess_us**2 * _SHARE_VARIANCE)
    slope = _median_slope(points)
    residuals = points.ahead_us - slope * points.elapsed_us
    residuals = residuals - _median(residuals)
    spread = 1.4826 * _median(np.abs(residuals))  # of a normal distribution
    keep: npt.NDArray[np.bool_] = np.abs(residuals) <= _OUTLIER_LIMIT * np.maximum(allowed, spread)
    return keep


def _median_slope(points: _Points) -> float:
    """Median of the slopes of all pairs, of evenly thinned marks when there are many."""
    step = -(-len(points.ahead_us) // _THINNED_MARKS)
    blocks = len(points.ahead_us) // step
    of_blocks = points.excess_us[: blocks * step].reshape(blocks, step)
    best = np.arange(blocks) * step + of_blocks.argmin(axis=1)
    elapsed, ahead = points.elapsed_us[best], points.ahead_us[best]
    first, second = np.triu_indices(len(best), 1)
    run = elapsed[second] - elapsed[first]
    rise = ahead[second] - ahead[first]
    forward = run > 0
    return _median(rise[forward] / run[forward]) if forward.any() else 0.0


def _median(values: FloatArray) -> float:
    """As numpy's, without what that does besides for arrays of any kind."""
    middle = len(values) // 2
    low = middle if len(values) % 2 else middle - 1
    parted = np.partition(values, (low, middle))
    return float(parted[low] + parted[middle]) / 2
