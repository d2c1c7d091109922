"""A client visit to visit, from the key figures that are kept; nothing is analysed again."""

from __future__ import annotations

import dataclasses
import itertools
import statistics
from collections.abc import Sequence

from steelyard.errors import AnalysisError, NotKeptError
from steelyard.store import entry_checks as check
from steelyard.store.clients import client_row
from steelyard.store.curve_range import area_within, common_range, mean_torque
from steelyard.store.database import Database
from steelyard.store.repeat_tests import RepeatedVisits
from steelyard.store.station_points import StationPoint, curve_of, station_points
from steelyard.store.tables import VisitRow
from steelyard.store.trend_figures import (
    ClientTrend,
    CurveTrend,
    FigureTrend,
    RepeatTests,
    TrendPoint,
)
from steelyard.strength.before_after import SAME_STATION_DEGREES
from steelyard.strength.machine_profile import Joint
from steelyard.strength.visits import (
    ENOUGH_CLIENTS,
    DetectableChange,
    Trend,
    detectable_change,
    judge_change,
    trend,
)

Points = Sequence[StationPoint]


class Trends:
    """Trends of clients, and the practice's repeat tests."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def of_client(self, code: str, machine: str) -> ClientTrend:
        """Every station and the whole curve across visits, and whether the change is real.

        Raises NotKeptError when no isometric test of this client on this machine is kept.
        """
        name = check.machine_name(machine)
        with self._database.reading() as session:
            client = client_row(session, code)
            which = (VisitRow.client_id == client.id) & (VisitRow.machine == name)
            points = station_points(session, which)
            if not points:
                raise NotKeptError(
                    f"No isometric test of {client.code} on {name} is kept.",
                    "Analyse a recording and file it under a visit.",
                )
            repeats = RepeatedVisits(session, name)
            joint = points[-1].joint
            return ClientTrend(
                client.code,
                name,
                joint,
                tuple(_station(group, repeats, joint) for group in _by_station(points)),
                _curve(points, repeats, joint),
                repeats.learning(),
            )

    def repeat_tests(self, machine: str, degrees: float | None = None) -> RepeatTests:
        """The practice's own pairs: at a station, or of the curve's mean torque."""
        with self._database.reading() as session:
            repeats = RepeatedVisits(session, check.machine_name(machine))
        return repeats.of_curve if degrees is None else repeats.at_station(degrees)


def _by_station(points: Points) -> list[list[StationPoint]]:
    """Points at one angle, within what the analysis takes for one; extended end first."""
    groups: list[list[StationPoint]] = []
    for point in points:
        near = [
            group
            for group in groups
            if abs(group[0].degrees - point.degrees) < SAME_STATION_DEGREES
        ]
        if near:
            min(near, key=lambda group: abs(group[0].degrees - point.degrees)).append(point)
        else:
            groups.append([point])
    return sorted(groups, key=lambda group: group[0].degrees)


def _station(group: Points, repeats: RepeatedVisits, joint: Joint) -> FigureTrend:
    degrees = statistics.median(point.degrees for point in group)
    best = [
        max(one_visit, key=lambda point: point.torque.value)
        for _, same in itertools.groupby(group, key=lambda point: point.visit_id)
        if (one_visit := list(same))
    ]
    points = [TrendPoint(one.visit_id, one.at, one.torque) for one in best]
    return _figure(degrees, points, detectable(repeats.at_station(degrees), joint))


def _curve(points: Points, repeats: RepeatedVisits, joint: Joint) -> CurveTrend | None:
    visits = [list(same) for _, same in itertools.groupby(points, lambda point: point.visit_id)]
    curves = [(visit[0], curve) for visit in visits if (curve := curve_of(visit)) is not None]
    common = common_range([curve for _, curve in curves])
    if common is None:
        return None
    areas = [area_within(curve, *common) for _, curve in curves]
    figures = [
        TrendPoint(first.visit_id, first.at, mean_torque(area, *common))
        for (first, _), area in zip(curves, areas, strict=True)
    ]
    bound = detectable(repeats.of_curve, joint)
    return CurveTrend(*common, tuple(areas), _figure(None, figures, bound))


def detectable(tests: RepeatTests, joint: Joint) -> DetectableChange:
    """From own repeat tests when there are enough, or literature; which, is in its source."""
    found = detectable_change(tests.pairs or None, joint)
    if len(tests.pairs) >= ENOUGH_CLIENTS:
        return found
    source = f"{found.source}; own repeat tests so far: {len(tests.pairs)} of {ENOUGH_CLIENTS}"
    return dataclasses.replace(found, source=source)


def _figure(
    degrees: float | None, points: Sequence[TrendPoint], bound: DetectableChange
) -> FigureTrend:
    change = None
    if len(points) > 1:
        change = judge_change(points[0].torque, points[-1].torque, bound)
    return FigureTrend(degrees, tuple(points), bound, change, _slope(points))


def _slope(points: Sequence[TrendPoint]) -> Trend | None:
    days = [(point.at - points[0].at).total_seconds() / 86_400.0 for point in points]
    try:
        return trend(days, [point.torque.value for point in points])
    except AnalysisError:
        return None
