"""What a set took out of the client: isometric strength before and after, station by station.

Both tests are made with the same calibration within the hour, so its share of
the uncertainty moves both the same way: it scales the difference and cancels in
the percentage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from steelyard.errors import AnalysisError
from steelyard.strength.isometric import IsometricTest, Station
from steelyard.strength.measured import Measured

SAME_STATION_DEGREES: Final = 3.0


@dataclass(frozen=True)
class StationResponse:
    """Change at one station; ``real``: it exceeds its own expanded uncertainty."""

    degrees: float
    before: Measured
    after: Measured
    change: Measured
    change_percent: Measured

    @property
    def real(self) -> bool:
        """Whether the measurement can tell the change from none.

        It says nothing on how much a client varies from test to test: see
        ``visits``.
        """
        return abs(self.change.value) > self.change.expanded_uncertainty


def fatigue_response(before: IsometricTest, after: IsometricTest) -> tuple[StationResponse, ...]:
    """Compare the best valid efforts at the stations that both tests have.

    Raises AnalysisError when they have none in common.
    """
    found = [
        _compare(first, second)
        for first in before.stations
        for second in after.stations
        if abs(first.degrees - second.degrees) < SAME_STATION_DEGREES
        and first.best is not None
        and second.best is not None
    ]
    if not found:
        raise AnalysisError(
            "The tests before and after have no station with a valid effort in common.",
            "Test at the same angles before and after.",
        )
    return tuple(found)


def _compare(first: Station, second: Station) -> StationResponse:
    one, two = first.best, second.best
    if one is None or two is None or one.peak is None or two.peak is None:
        raise AnalysisError("A station without a valid effort was compared.", "Repeat the test.")
    before, after = one.peak, two.peak
    own = [
        math.sqrt(max(0.0, peak.standard_uncertainty**2 - effort.common_standard_uncertainty**2))
        for peak, effort in ((before, one), (after, two))
    ]
    change = after.value - before.value
    common = abs(change) * one.common_standard_uncertainty / before.value
    spread = math.hypot(*own)
    ratio = after.value / before.value
    of_ratio = abs(ratio) * math.hypot(own[0] / before.value, own[1] / after.value)
    return StationResponse(
        first.degrees,
        before,
        after,
        Measured(change, math.hypot(spread, common), "N·m"),
        Measured(100.0 * (ratio - 1.0), 100.0 * of_ratio, "%"),
    )
