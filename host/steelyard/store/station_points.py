"""Stations of the first test of each visit, read from their rows: no analysis is opened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from steelyard.store.tables import ResultRow, StationRow, VisitRow
from steelyard.strength.machine_profile import Joint
from steelyard.strength.measured import Measured
from steelyard.strength.torque_curve import CurvePoint, TorqueCurve


@dataclass(frozen=True)
class StationPoint:
    """The best valid effort at one station of one visit."""

    visit_id: int
    at: datetime
    joint: Joint
    degrees: float
    torque: Measured
    common_u: float


def station_points(session: Session, which: ColumnElement[bool]) -> list[StationPoint]:
    """Stations of the visits that ``which`` picks, oldest visit first, before any set."""
    rows = session.execute(
        select(
            VisitRow.id,
            VisitRow.started_at,
            ResultRow.joint,
            StationRow.degrees,
            StationRow.torque_nm,
            StationRow.torque_u,
            StationRow.common_u,
        )
        .join(ResultRow, ResultRow.visit_id == VisitRow.id)
        .join(StationRow, StationRow.result_id == ResultRow.id)
        .where(which, StationRow.test == 1)
        .order_by(VisitRow.started_at, VisitRow.id, StationRow.degrees)
    )
    return [
        StationPoint(visit, at, Joint(joint), degrees, Measured(torque, u, "N·m"), common)
        for visit, at, joint, degrees, torque, u, common in rows
    ]


def curve_of(points: Sequence[StationPoint]) -> TorqueCurve | None:
    """The curve of one visit; the higher of two at the same angle.  None with fewer than two."""
    best: dict[float, StationPoint] = {}
    for point in points:
        known = best.get(point.degrees)
        if known is None or point.torque.value > known.torque.value:
            best[point.degrees] = point
    if len(best) < 2:
        return None
    return TorqueCurve(
        tuple(
            CurvePoint(
                at, best[at].torque.value, best[at].torque.standard_uncertainty, best[at].common_u
            )
            for at in sorted(best)
        )
    )
