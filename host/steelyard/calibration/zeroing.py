"""Zeroing: a deliberate shift of the counts, bounded and logged, never part of a calibration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from steelyard.errors import CalibrationError

ZEROING_LIMIT: Final = 0.04
"""Largest shift, as a share of the calibrated span in counts.  OIML R 76 allows zero-setting
within 4 % of the capacity of a weighing instrument (figure from memory)."""


@dataclass(frozen=True)
class Zeroing:
    """Counts without load at one moment, less those the calibration saw."""

    shift_counts: float
    counts_standard_error: float
    taken_at: str

    def log_line(self) -> str:
        """What goes into the recording as an annotation."""
        return (
            f"zeroed at {self.taken_at}: shift {self.shift_counts:+.1f} counts, "
            f"standard error {self.counts_standard_error:.1f} counts"
        )


def take_zero(
    unloaded_counts: float,
    counts_standard_error: float,
    *,
    calibrated_zero_counts: float,
    calibrated_span_counts: float,
    taken_at: str,
) -> Zeroing:
    """Make a zeroing from a steady reading without load.

    Raises CalibrationError when the shift is larger than ``ZEROING_LIMIT`` of
    the span: then something hangs on the sensor, or it has been damaged.
    """
    shift = unloaded_counts - calibrated_zero_counts
    limit = ZEROING_LIMIT * abs(calibrated_span_counts)
    if not abs(shift) <= limit:
        raise CalibrationError(
            f"The reading without load has moved by {shift:+.0f} counts since the calibration, "
            f"more than the {limit:.0f} that zeroing may take away.",
            "Take all load off. If nothing hangs there the sensor may be strained: check it "
            "with a known weight.",
        )
    return Zeroing(shift, counts_standard_error, taken_at)
