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
    variances = _variances_before(points)
    quick = _quickest(points)
    for _ in range(_ROUNDS if len(quick) > 2 else 0):
        variances = _variances(points, quick, _weighted_line(points, variances)[2])
    solution, covariance, residuals = _weighted_line(points, variances)
    mean_square = np.sum(residuals**2 / variances) / np.sum(1 / variances)
    return MarkLine(
        offset_us=float(solution[0]),
        slope=float(solution[1]),
        covariance=covariance[:2, :2],
        residuals_us=residuals,
        unmodelled_us=float(np.sqrt(mean_square)),
        kept=kept,
    )


def _variances_before(points: _Points) -> FloatArray:
    """Variance of each mark [us^2] by its round trip alone, rectangular; shape (n,)."""
    widest = points.shortest_us**2 + points.excess_us**2
    variances: FloatArray = MARK_FLOOR_US**2 + widest * _SHARE_VARIANCE
    return variances


def _quickest(points: _Points) -> npt.NDArray[np.bool_]:
    """The marks with the shortest round trips, at least three; shape (n,)."""
    quick = np.zeros(len(points.excess_us), np.bool_)
    order = np.argsort(points.excess_us, kind="stable")
    quick[order[: max(3, len(quick) // _QUICK_PART)]] = True
    return quick


def _variances(points: _Points, quick: npt.NDArray[np.bool_], residuals: FloatArray) -> FloatArray:
    """Variance of each mark [us^2] as the residuals of three or more show it; shape (n,).

    Few residuals may be small by chance, so what they show is widened by Student's t,
    but not beyond what the shortest round trip allows.
    """
    count = len(residuals)
    scatter = float(np.mean(residuals[quick] ** 2)) * count / (count - 2)
    freedom = int(np.count_nonzero(quick)) - 2
    widened = scatter * (float(np.interp(freedom, _T_FREEDOM, _T_95)) / 2) ** 2
    common = min(widened, max(scatter, points.shortest_us**2 * _SHARE_VARIANCE))
    square = float(np.sum(points.excess_us[~quick] ** 2))
    beyond = float(np.sum(residuals[~quick] ** 2 - scatter))
    growth = min(max(beyond / square, 0.0), _SHARE_VARIANCE) if square else 0.0
    variances: FloatArray = MARK_FLOOR_US**2 + common + growth * points.excess_us**2
    return variances


def _weighted_line(
    points: _Points, variances: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Offset, slope and one-sided share; their covariance (3, 3); the residuals.

    The priors of slope and share count as one observation each.
    """
    # All columns of like size, or the 3 by 3 system loses digits.
    reach = max(1.0, float(np.max(np.abs(points.elapsed_us))))
    columns = np.stack([np.ones_like(variances), points.elapsed_us / reach, points.excess_us])
    weighted = columns / variances
    prior = np.diag([0.0, (SLOPE_PRIOR * reach) ** -2.0, 1 / _SHARE_VARIANCE])
    covariance = np.linalg.inv(weighted @ columns.T + prior)
    solution = covariance @ (weighted @ points.ahead_us)
    residuals = points.ahead_us - solution @ columns
    unscale = np.array([1.0, 1.0 / reach, 1.0])
    unscaled = np.asarray(covariance * np.outer(unscale, unscale), np.float64)
    return solution * unscale, unscaled, residuals


def _plausible(points: _Points) -> npt.NDArray[np.bool_]:
    """Which marks to keep: those near the line that most of them agree on; shape (n,)."""
    if len(points.ahead_us) < 4:
        return np.ones(len(points.ahead_us), np.bool_)
    allowed = np.sqrt(MARK_FLOOR_US**2 + points.excess_us**2 * _SHARE_VARIANCE)
    slope = _median_slope(points)
    residuals = points.ahead_us - slope * points.elapsed_us
    residuals = residuals - np.median(residuals)
    spread = 1.4826 * float(np.median(np.abs(residuals)))  # of a normal distribution
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
    return float(np.median(rise[run > 0] / run[run > 0])) if np.any(run > 0) else 0.0
