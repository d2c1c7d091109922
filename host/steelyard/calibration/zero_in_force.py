"""Which logged zeroing counts for a reading: the last one of that day, and no older one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from steelyard.calibration.history import Act, History
from steelyard.calibration.in_service import moment
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.calibration.zeroing import Zeroing
from steelyard.errors import CalibrationFileError

ZEROING_LASTS_HOURS: Final = 12.0
"""A zeroing is for a session day (common practice, no source).  After that the zero may have
gone with temperature and mounting, and the calibration's own zero, with its larger uncertainty,
is the truer statement."""


@dataclass(frozen=True)
class ZeroInForce:
    """The zeroing that counts, or None; ``text`` says in words what was applied and why not."""

    zero: Zeroing | None
    text: str


def zero_in_force(history: History, calibration: LoadCalibration, at: str) -> ZeroInForce:
    """The zeroing of ``calibration`` that counts for what is read ``at`` (ISO 8601).

    Raises CalibrationError when it shifts further than zeroing may, CalibrationFileError
    when its entry lacks a part.
    """
    before = [
        entry
        for entry in history.of(Act.ZEROED, calibration.calibration_id)
        if moment(entry.at) <= moment(at)
    ]
    if not before:
        return ZeroInForce(None, "not zeroed: the zero is the calibration's own")
    content = before[-1].content
    try:
        shift, error = float(content["shift_counts"]), float(content["counts_standard_error"])
        taken_at = str(content["taken_at"])
    except (KeyError, TypeError, ValueError) as problem:
        raise CalibrationFileError(
            f"A zeroing in the history lacks or misuses a part: {problem}.",
            "It was made by a program that does not keep to the layout.",
        ) from problem
    hours = (moment(at) - moment(taken_at)) / timedelta(hours=1)
    if hours > ZEROING_LASTS_HOURS:
        return ZeroInForce(
            None,
            f"the zeroing of {taken_at} is {hours:.0f} h old, more than {ZEROING_LASTS_HOURS:g}: "
            "not applied, the zero is the calibration's own",
        )
    unloaded = quantity_of(calibration).force.model.zero_counts + shift
    zero = calibration.take_zero(unloaded, error, taken_at)
    return ZeroInForce(zero, f"{zero.log_line()}; applied")
