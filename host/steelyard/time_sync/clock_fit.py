"""A straight line from the device clock to the host's monotonic clock.

Model, for one boot without a pause of the host::

    host_us = offset + (1 + slope) * device_us

fitted by weighted least squares over time marks; how far each mark is trusted,
see `mark_line`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from steelyard.errors import TimeSyncError
from steelyard.time_sync.mark_line import FloatArray, fit_line
from steelyard.time_sync.marks import ClockMark, Int64Array, MarkColumns


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
    """Root mean square of what the line misses [us], marks weighted as for the line."""

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


def fit_clock(marks: Sequence[ClockMark] | MarkColumns) -> ClockFit:
    """Fit the line through marks of one boot, in order of time; one mark is enough.

    Raises:
        TimeSyncError: no marks, or marks of several boots.
    """
    columns = marks if isinstance(marks, MarkColumns) else MarkColumns.of(marks)
    if not len(columns) or (columns.boot_ids != columns.boot_ids[0]).any():
        raise TimeSyncError(
            f"A clock fit needs time marks of one boot; there are {len(marks)} marks"
            f" of {len(set(columns.boot_ids.tolist()))} boots.",
            "Fit each boot by itself.",
        )
    device = columns.device_us
    centre = len(marks) // 2
    line = fit_line(columns, centre)
    covariance = line.covariance
    return ClockFit(
        boot_id=int(columns.boot_ids[0]),
        first_device_us=int(device[0]),
        last_device_us=int(device[-1]),
        mark_count=len(line.residuals_us),
        rejected_count=int(np.count_nonzero(~line.kept)),
        device_fast_ppm=(1 / (1 + line.slope) - 1) * 1e6,
        device_fast_ppm_uncertainty=math.sqrt(covariance[1, 1]) * 1e6,
        residual_rms_us=float(np.sqrt(np.mean(line.residuals_us**2))),
        residual_worst_us=float(np.max(np.abs(line.residuals_us))),
        shortest_round_trip_us=int(columns.round_trip_us.min()),
        centre_device_us=int(device[centre]),
        centre_host_ns=int(columns.host_monotonic_ns[centre]),
        offset_us=line.offset_us,
        slope=line.slope,
        covariance=(float(covariance[0, 0]), float(covariance[0, 1]), float(covariance[1, 1])),
        unmodelled_us=line.unmodelled_us,
    )
