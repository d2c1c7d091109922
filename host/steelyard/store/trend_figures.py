"""What trends and repeat tests are, as plain records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from steelyard.strength.machine_profile import Joint
from steelyard.strength.measured import Measured
from steelyard.strength.visits import Change, DetectableChange, Trend


@dataclass(frozen=True)
class RepeatTests:
    """Pairs of tests with no training in between, one pair for each client, in N·m.

    ``what`` they are of: a station, or the mean torque of the curve.
    """

    what: str
    pairs: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class TrendPoint:
    """One figure of one visit."""

    visit_id: int
    at: datetime
    torque: Measured


@dataclass(frozen=True)
class FigureTrend:
    """One figure across visits, oldest first.

    ``degrees``: the station; None for the mean torque of the whole curve.  ``change``: first
    visit to last, None with one visit; ``slope``: straight line, None with fewer than three
    visits or all at one time.
    """

    degrees: float | None
    points: tuple[TrendPoint, ...]
    detectable: DetectableChange
    change: Change | None
    slope: Trend | None


@dataclass(frozen=True)
class CurveTrend:
    """The whole curve across visits, over the angles that all its visits have in common.

    ``areas``: area under the curve over that range, N·m·rad, one for each point of ``mean``;
    ``mean``: the same divided by the range, in N·m, on which changes are judged.
    """

    low_degrees: float
    high_degrees: float
    areas: tuple[Measured, ...]
    mean: FigureTrend


@dataclass(frozen=True)
class ClientTrend:
    """A client on a machine, visit to visit; the test before the first set of each visit.

    ``curve`` None where no two visits have a range in common, or there are no curves.
    ``learning``: what the practice's repeat tests say about first tests; empty with too few.
    """

    client: str
    machine: str
    joint: Joint
    stations: tuple[FigureTrend, ...]
    curve: CurveTrend | None
    learning: str
