"""A straight line from the device clock to the host's monotonic clock.

Model, for one boot without a pause of the host::

    host_us = offset + (1 + slope) * device_us

fitted by weighted least squares over time marks.  A mark's error is bounded by
half its round trip (RFC 5905), so a mark weighs by what its round trip exceeds
the shortest one: marks held up by a busy host count for little.  The slope has
a prior: crystals are known to be right within some 50 ppm (common practice for
plain quartz, no source), which is what makes a fit of one mark meaningful.
Marks that no delay explains are left out; a median of pairwise slopes (H. Theil
1950, P. K. Sen 1968) finds them without being pulled along by them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from steelyard.errors import TimeSyncError

SLOPE_PRIOR: Final = 50e-6
"""Standard uncertainty of a crystal's rate before anything was measured."""
MARK_FLOOR_US: Final = 5.0
"""Standard uncertainty of the best of marks: tick resolution and time stamping."""
_OUTLIER_LIMIT: Final = 6.0
_THINNED_MARKS: Final = 200

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]


class ClockMark(NamedTuple):
    """One moment on both clocks."""

    boot_id: int
    device_us: int
    """Device time, unwrapped [us]."""
    host_monotonic_ns: int
    host_unix_ns: int
    round_trip_us: int


@dataclass(frozen=True)
class ClockFit:
    """The line, what it rests on and how far to trust it.

    Residuals are of the marks kept, in microseconds of host time.
    """

    boot_id: int
    first_device_us: int
    last_device_us: int
    mark_count: int
    rejected_count: int
    device_fast_ppm: float
    """By how much the device clock runs faster than the host's."""
    device_fast_ppm_uncertainty: float
    residual_rms_us: float
    residual_worst_us: float
    shortest_round_trip_us: int
    centre_device_us: int
    centre_host_ns: int
    offset_us: float
    slope: float
    covariance: tuple[float, float, float]
    """Variance of offset [us^2], covariance [us], variance of slope."""
    unmodelled_us: float
    """What the line misses beyond what the round trips explain [us]."""

    def host_monotonic_ns(self, device_us: npt.ArrayLike) -> Int64Array:
        """Host's monotonic time of device times (any shape) [ns]."""
        elapsed = np.asarray(device_us, np.int64) - self.centre_device_us
        correction_us = self.offset_us + self.slope * elapsed
        correction_ns = np.rint(correction_us * 1000).astype(np.int64)
        mapped: Int64Array = self.centre_host_ns + elapsed * 1000 + correction_ns
        return mapped

    def uncertainty_us(self, device_us: npt.ArrayLike) -> FloatArray:
        """Standard uncertainty of the mapped times (any shape) [us].

        Line (law of propagation, GUM 5.2) + an unequal share of the two
        directions in the shortest round trip (rectangular, GUM 4.3.7), which no
        number of marks averages away + what the line misses.
        """
        elapsed = (np.asarray(device_us, np.int64) - self.centre_device_us).astype(np.float64)
        offset_variance, shared, slope_variance = self.covariance
        line = offset_variance + 2 * shared * elapsed + slope_variance * elapsed**2
        unequal = (self.shortest_round_trip_us / 2) ** 2 / 3
        total: FloatArray = np.sqrt(np.maximum(line, 0) + unequal + self.unmodelled_us**2)
        return total


@dataclass(frozen=True)
class _Points:
    """Marks about their centre: how far the host's clock is ahead of the device's [us]."""

    elapsed_us: FloatArray
    ahead_us: FloatArray
    uncertainty_us: FloatArray

    def kept(self, keep: npt.NDArray[np.bool_]) -> _Points:
        return _Points(self.elapsed_us[keep], self.ahead_us[keep], self.uncertainty_us[keep])


@dataclass(frozen=True)
class MarkColumns:
    """Time marks as columns of shape (n,): thirty thousand of them are one thing, not thirty
    thousand."""

    boot_ids: npt.NDArray[Any]
    device_us: Int64Array
    host_monotonic_ns: Int64Array
    host_unix_ns: Int64Array
    round_trip_us: Int64Array

    def __len__(self) -> int:
        return len(self.device_us)

    def __getitem__(self, rows: slice) -> MarkColumns:
        return MarkColumns(
            self.boot_ids[rows],
            self.device_us[rows],
            self.host_monotonic_ns[rows],
            self.host_unix_ns[rows],
            self.round_trip_us[rows],
        )

    def marks(self) -> list[ClockMark]:
        """One by one."""
        columns = (
            self.boot_ids,
            self.device_us,
            self.host_monotonic_ns,
            self.host_unix_ns,
            self.round_trip_us,
        )
        return list(map(ClockMark, *(column.tolist() for column in columns)))

    @classmethod
    def of(cls, marks: Sequence[ClockMark]) -> MarkColumns:
        """Columns of these marks."""

        def column(name: str) -> Int64Array:
            return np.array([getattr(mark, name) for mark in marks], np.int64)

        return cls(
            column("boot_id"),
            column("device_us"),
            column("host_monotonic_ns"),
            column("host_unix_ns"),
            column("round_trip_us"),
        )


def fit_clock(marks: Sequence[ClockMark] | MarkColumns) -> ClockFit:
    """Fit the line through marks of one boot, in order of time; one mark is enough.

    Raises:
        TimeSyncError: no marks, or marks of several boots.
    """
    columns = marks if isinstance(marks, MarkColumns) else MarkColumns.of(marks)
    boots = np.unique(columns.boot_ids)
    if len(boots) != 1:
        raise TimeSyncError(
            f"A clock fit needs time marks of one boot; there are {len(marks)} marks"
            f" of {len(boots)} boots.",
            "Fit each boot by itself.",
        )
    device, host = columns.device_us, columns.host_monotonic_ns
    round_trips = columns.round_trip_us.astype(np.float64)
    centre = len(marks) // 2
    centre_device, centre_host = int(device[centre]), int(host[centre])
    elapsed = (device - centre_device).astype(np.float64)
    excess = (round_trips - round_trips.min()) / 2
    points = _Points(
        elapsed_us=elapsed,
        ahead_us=(host - centre_host) / 1000 - elapsed,
        uncertainty_us=np.sqrt(MARK_FLOOR_US**2 + excess**2 / 3),
    )
    keep = _plausible(points)
    kept = points.kept(keep)
    offset, slope, covariance = _weighted_line(kept)
    residuals = kept.ahead_us - offset - slope * kept.elapsed_us
    unmodelled, scale = _unmodelled(kept, residuals)
    scaled = covariance * scale
    return ClockFit(
        boot_id=int(boots[0]),
        first_device_us=int(device[0]),
        last_device_us=int(device[-1]),
        mark_count=len(kept.ahead_us),
        rejected_count=int(np.count_nonzero(~keep)),
        device_fast_ppm=(1 / (1 + slope) - 1) * 1e6,
        device_fast_ppm_uncertainty=math.sqrt(scaled[1, 1]) * 1e6,
        residual_rms_us=float(np.sqrt(np.mean(residuals**2))),
        residual_worst_us=float(np.max(np.abs(residuals))),
        shortest_round_trip_us=int(round_trips.min()),
        centre_device_us=centre_device,
        centre_host_ns=centre_host,
        offset_us=offset,
        slope=slope,
        covariance=(float(scaled[0, 0]), float(scaled[0, 1]), float(scaled[1, 1])),
        unmodelled_us=unmodelled,
    )


def _plausible(points: _Points) -> npt.NDArray[np.bool_]:
    """Which marks to keep: those near the line that most of them agree on; shape (n,)."""
    if len(points.ahead_us) < 4:
        return np.ones(len(points.ahead_us), np.bool_)
    slope = _median_slope(points)
    residuals = points.ahead_us - slope * points.elapsed_us
    residuals = residuals - np.median(residuals)
    spread = 1.4826 * float(np.median(np.abs(residuals)))  # of a normal distribution
    limit = _OUTLIER_LIMIT * np.maximum(points.uncertainty_us, spread)
    keep: npt.NDArray[np.bool_] = np.abs(residuals) <= limit
    return keep


def _median_slope(points: _Points) -> float:
    """Median of the slopes of all pairs, of evenly thinned marks when there are many."""
    step = max(1, len(points.ahead_us) // _THINNED_MARKS)
    blocks = np.arange(0, len(points.ahead_us), step)
    best = [i + int(np.argmin(points.uncertainty_us[i : i + step])) for i in blocks]
    elapsed, ahead = points.elapsed_us[best], points.ahead_us[best]
    first, second = np.triu_indices(len(best), 1)
    run = elapsed[second] - elapsed[first]
    rise = ahead[second] - ahead[first]
    return float(np.median(rise[run > 0] / run[run > 0])) if np.any(run > 0) else 0.0


def _weighted_line(points: _Points) -> tuple[float, float, FloatArray]:
    """Offset, slope and their covariance (2, 2), the slope's prior as one more observation."""
    weights = points.uncertainty_us**-2.0
    # Both columns in microseconds of like size, or the 2 by 2 system loses digits.
    reach = max(1.0, float(np.max(np.abs(points.elapsed_us))))
    x = points.elapsed_us / reach
    normal = np.array(
        [
            [np.sum(weights), np.sum(weights * x)],
            [np.sum(weights * x), np.sum(weights * x * x) + (SLOPE_PRIOR * reach) ** -2.0],
        ]
    )
    covariance = np.linalg.inv(normal)
    offset, scaled_slope = covariance @ np.array(
        [np.sum(weights * points.ahead_us), np.sum(weights * x * points.ahead_us)]
    )
    unscale = np.diag([1.0, 1.0 / reach])
    return float(offset), float(scaled_slope / reach), unscale @ covariance @ unscale


def _unmodelled(points: _Points, residuals: FloatArray) -> tuple[float, float]:
    """What the line misses [us], and the factor on the covariance that goes with it.

    Residuals larger than the marks' own uncertainty mean that the model is not
    the whole truth (a crystal that warms up): both grow, the trust shrinks.
    """
    freedom = len(residuals) - 2
    if freedom < 1:
        return 0.0, 1.0
    ratio = float(np.sum((residuals / points.uncertainty_us) ** 2)) / freedom
    if ratio <= 1:
        return 0.0, 1.0
    weights = points.uncertainty_us**-2.0
    rms = math.sqrt(float(np.sum(weights * residuals**2) / np.sum(weights)))
    return rms, ratio
