"""What happens to a calibration after the day it was made: time, warmth, mounting.

Bounds, not findings.  The defaults are what data sheets of good industrial load
cells promise (common practice, no source); a daily check with one weight shows
whether they hold.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, timedelta
from typing import Final

from steelyard.errors import CalibrationError

DAYS_PER_YEAR: Final = 365.25


@dataclass(frozen=True)
class InService:
    """Bounds for readings taken later; all are half-widths.

    Names ending in ``_relative`` are shares of the load, for the zero of the
    calibrated span.  ``temperature_half_range_kelvin`` says how far a session
    may be warmer or colder than the calibration was.
    """

    drift_per_year_relative: float = 3e-4
    sensitivity_per_kelvin_relative: float = 2e-5
    zero_per_kelvin_relative: float = 3e-5
    temperature_half_range_kelvin: float = 5.0
    side_load_relative: float = 1e-4
    """What forces across the sensor, from its mounting, may add."""
    valid_days: int = 365

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            most = {"temperature_half_range_kelvin": 60.0, "valid_days": 3660.0}.get(item.name, 0.1)
            if not 0.0 <= value <= most:
                raise CalibrationError(
                    f"{item.name} is {value:g}; at most {most:g} can be meant.",
                    "Shares of the load are small: 0.0003 is 0.03 %.",
                )

    def drift_relative(self, age_days: float) -> float:
        """Bound of drift after ``age_days`` (rectangular)."""
        return self.drift_per_year_relative * max(0.0, age_days) / DAYS_PER_YEAR

    @property
    def sensitivity_by_temperature_relative(self) -> float:
        """Largest effect of temperature on the sensitivity (product of two rectangular bounds)."""
        return self.sensitivity_per_kelvin_relative * self.temperature_half_range_kelvin

    @property
    def zero_by_temperature_relative(self) -> float:
        """Largest effect of temperature on the zero, as a share of the span (likewise)."""
        return self.zero_per_kelvin_relative * self.temperature_half_range_kelvin

    def relative_variance(self, age_days: float) -> float:
        """Variance, as a share of the load squared, of all that stretches readings later."""
        drift, side = self.drift_relative(age_days), self.side_load_relative
        warmth = self.sensitivity_by_temperature_relative
        return (drift * drift + side * side) / 3.0 + warmth * warmth / 9.0


def moment(text: str) -> datetime:
    """A time written as ISO 8601; without an offset it is taken as UTC.

    Raises CalibrationError for anything else.
    """
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise CalibrationError(
            f"“{text}” is no date.", "Write it like 2026-03-31 or 2026-03-31T09:30:00Z."
        ) from error
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)


def age_days(taken_at: str, now: str) -> float:
    """Days from a calibration to ``now``; never below 0, since clocks disagree by seconds.

    Raises CalibrationError when one of the two is no date, or ``now`` lies more
    than a day before the calibration.
    """
    days = (moment(now) - moment(taken_at)) / timedelta(days=1)
    if days < -1.0:
        raise CalibrationError(
            f"The calibration is dated {taken_at}, {-days:.0f} days after {now}.",
            "Set the clock of this computer.",
        )
    return max(0.0, days)


def days_between(taken_at: str, recorded_at: str) -> float:
    """Days between a calibration and a recording, whichever came first; 0 without a date.

    A recording may be read with a calibration made after it: drift runs both ways.
    Raises CalibrationError when one of the two is no date.
    """
    if not taken_at:
        return 0.0
    return abs((moment(recorded_at) - moment(taken_at)) / timedelta(days=1))


def due_on(taken_at: str, valid_days: int) -> date | None:
    """The day by which to calibrate again; None when the calibration bears no date."""
    if not taken_at:
        return None
    return (moment(taken_at) + timedelta(days=valid_days)).date()
