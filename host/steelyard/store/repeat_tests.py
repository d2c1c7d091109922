"""The practice's own repeat tests: how well its tests repeat, and what a first test is worth.

A pair is a visit that somebody marked as the repeat of an earlier one, without
training in between.  Visits that merely follow each other do not count: people
change.  Each client gives one pair, the first, so that pairs are independent.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from steelyard.errors import AnalysisError
from steelyard.store.curve_range import area_within, common_range, mean_torque
from steelyard.store.station_points import StationPoint, curve_of, station_points
from steelyard.store.tables import VisitRow
from steelyard.store.trend_figures import RepeatTests
from steelyard.strength.before_after import SAME_STATION_DEGREES
from steelyard.strength.torque_curve import TorqueCurve
from steelyard.strength.visits import learning_effect

Points = Sequence[StationPoint]
MOST_AT_ONCE: Final = 5000
"""Ids in one query: SQLite takes 32,766."""


class RepeatedVisits:
    """All pairs of repeat tests on one machine, read once."""

    def __init__(self, session: Session, machine: str) -> None:
        later, earlier = aliased(VisitRow), aliased(VisitRow)
        found = session.execute(
            select(later.client_id, earlier.id, later.id)
            .join(earlier, later.repeat_of == earlier.id)
            .where(later.repeat_of.is_not(None), later.machine == machine)
            .order_by(earlier.started_at, later.started_at, later.id)
        ).all()
        by_visit: dict[int, list[StationPoint]] = defaultdict(list)
        wanted = sorted({visit for _, first, second in found for visit in (first, second)})
        for start in range(0, len(wanted), MOST_AT_ONCE):
            of_pairs = VisitRow.id.in_(wanted[start : start + MOST_AT_ONCE])
            for point in station_points(session, of_pairs):
                by_visit[point.visit_id].append(point)
        self._pairs: Mapping[int, list[tuple[Points, Points]]] = _by_client(
            [(client, by_visit[first], by_visit[second]) for client, first, second in found]
        )

    def at_station(self, degrees: float) -> RepeatTests:
        """Pairs with an effort at this station in both tests."""
        pairs = []
        for tests in self._pairs.values():
            found = [(_near(first, degrees), _near(second, degrees)) for first, second in tests]
            whole = [(one, two) for one, two in found if one is not None and two is not None]
            pairs += whole[:1]
        return RepeatTests(f"station at {degrees:z.0f}°", tuple(pairs))

    @cached_property
    def of_curve(self) -> RepeatTests:
        """Pairs of the mean torque over the angles that both tests have."""
        pairs = []
        for tests in self._pairs.values():
            found = [_means(curve_of(first), curve_of(second)) for first, second in tests]
            pairs += [pair for pair in found if pair is not None][:1]
        return RepeatTests("mean torque of the curve", tuple(pairs))

    def learning(self) -> str:
        """Whether second tests came out higher; empty with too few to tell."""
        try:
            return learning_effect(self.of_curve.pairs).text()
        except AnalysisError:
            return ""


def _by_client(
    found: Sequence[tuple[int, Points, Points]],
) -> dict[int, list[tuple[Points, Points]]]:
    pairs: dict[int, list[tuple[Points, Points]]] = defaultdict(list)
    for client, first, second in found:
        pairs[client].append((first, second))
    return dict(pairs)


def _near(points: Points, degrees: float) -> float | None:
    near = [one for one in points if abs(one.degrees - degrees) < SAME_STATION_DEGREES]
    return max((one.torque.value for one in near), default=None)


def _means(first: TorqueCurve | None, second: TorqueCurve | None) -> tuple[float, float] | None:
    if first is None or second is None:
        return None
    common = common_range([first, second])
    if common is None:
        return None
    one, two = (mean_torque(area_within(curve, *common), *common) for curve in (first, second))
    return one.value, two.value
