"""What was measured: the whole analysis as JSON, and its key figures in rows of their own."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from steelyard import __version__
from steelyard.errors import AlreadyKeptError, EntryError, NotKeptError
from steelyard.store.audit_trail import AuditTrail
from steelyard.store.database import Database
from steelyard.store.facts_json import from_plain, to_plain
from steelyard.store.kept import CurveFigure, RecordingFile, Result, SetFigure, StationFigure
from steelyard.store.tables import (
    AnalysisRow,
    CurveRow,
    RecordingRow,
    ResultRow,
    SetRow,
    StationRow,
    VisitRow,
)
from steelyard.store.visits import visit_row
from steelyard.strength.analysis_lines import plain
from steelyard.strength.machine_profile import Joint, MachineProfile
from steelyard.strength.measured import Measured
from steelyard.strength.session_analysis import SessionAnalysis, SessionFacts
from steelyard.strength.set_summary import SetSummary
from steelyard.strength.torque_curve import TorqueCurve


class Results:
    """Analyses of recordings, each filed under a visit."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def file(
        self,
        visit_id: int,
        analysis: SessionAnalysis,
        profile: MachineProfile,
        facts: SessionFacts,
        recording: RecordingFile,
        calibration_ids: Sequence[str],
    ) -> Result:
        """File the analysis of a recording; a second one of the same recording replaces the first.

        Raises NotKeptError without such a visit, EntryError when the visit was on another
        machine, AlreadyKeptError when the recording belongs to another visit.
        """
        content = plain(analysis)
        with self._database.writing() as (session, trail):
            visit, code = visit_row(session, visit_id)
            if visit.machine != profile.name.lower():
                raise EntryError(
                    f"Visit {visit.id} was on {visit.machine}, the recording is of "
                    f"{profile.name.lower()}.",
                    "File it under the right visit.",
                )
            _file_recording(session, visit, recording)
            old = _replaced(session, visit.id, recording.recording_id)
            row = ResultRow(
                visit_id=visit.id,
                recording_id=recording.recording_id,
                filed_at=trail.at,
                software=f"steelyard {__version__}",
                machine=visit.machine,
                joint=profile.joint.value,
                calibration_ids=list(calibration_ids),
                facts=to_plain(facts),
            )
            session.add(row)
            session.flush()
            session.add(AnalysisRow(result_id=row.id, content=content))
            session.add_all(_figures(row.id, analysis))
            _note(trail, visit, code, recording, old, content)
            session.flush()
            return _result(session, row)

    def get(self, result_id: int) -> Result:
        """One result with its key figures.  Raises NotKeptError."""
        with self._database.reading() as session:
            return _result(session, _row(session, result_id))

    def of_visit(self, visit_id: int) -> list[Result]:
        """All of one visit, in the order they were filed."""
        with self._database.reading() as session:
            visit_row(session, visit_id)
            query = select(ResultRow).where(ResultRow.visit_id == visit_id).order_by(ResultRow.id)
            return [_result(session, row) for row in session.scalars(query)]

    def analysis(self, result_id: int) -> dict[str, Any]:
        """The whole analysis as ``strength.analysis_lines.plain`` gave it."""
        with self._database.reading() as session:
            _row(session, result_id)
            return session.get_one(AnalysisRow, result_id).content


def _row(session: Session, result_id: int) -> ResultRow:
    row = session.get(ResultRow, result_id) if 0 < result_id < 2**31 else None
    if row is None:
        raise NotKeptError(f"There is no result {result_id}.", "See the visit's results.")
    return row


def _file_recording(session: Session, visit: VisitRow, file: RecordingFile) -> None:
    row = session.scalars(
        select(RecordingRow).where(RecordingRow.recording_id == file.recording_id)
    ).one_or_none()
    if row is None:
        session.add(RecordingRow(visit_id=visit.id, **vars(file)))
        return
    if row.visit_id != visit.id:
        raise AlreadyKeptError(
            f"Recording {file.recording_id} is filed under visit {row.visit_id} already.",
            "A recording belongs to one visit.",
        )
    row.path, row.sha256, row.size_bytes = file.path, file.sha256, file.size_bytes


def _replaced(session: Session, visit_id: int, recording_id: str) -> str | None:
    """Take away an earlier result of this recording; its digest, or None."""
    row = session.scalars(
        select(ResultRow).where(
            ResultRow.visit_id == visit_id, ResultRow.recording_id == recording_id
        )
    ).one_or_none()
    if row is None:
        return None
    before = _digest(session.get_one(AnalysisRow, row.id).content)
    session.delete(row)
    session.flush()
    session.expire_all()
    return before


def _note(
    trail: AuditTrail,
    visit: VisitRow,
    code: str,
    recording: RecordingFile,
    old: str | None,
    content: dict[str, Any],
) -> None:
    trail.note(
        "result filed" if old is None else "result replaced",
        (visit.client_id, code),
        f"visit {visit.id}, recording {recording.recording_id}",
        old,
        _digest(content),
    )


def _digest(content: dict[str, Any]) -> str:
    """SHA-256 of an analysis, whatever order its keys come in."""
    text = json.dumps(content, sort_keys=True, allow_nan=False)
    return f"analysis {hashlib.sha256(text.encode()).hexdigest()}"


def _figures(result_id: int, found: SessionAnalysis) -> list[StationRow | CurveRow | SetRow]:
    rows: list[StationRow | CurveRow | SetRow] = []
    for test, one in enumerate(found.tests, start=1):
        for station in one.stations:
            best = station.best
            if best is None or best.peak is None:
                continue
            rows.append(
                StationRow(
                    result_id=result_id,
                    test=test,
                    degrees=best.degrees.value,
                    torque_nm=best.peak.value,
                    torque_u=best.peak.standard_uncertainty,
                    common_u=best.common_standard_uncertainty,
                    efforts_total=len(station.efforts),
                    valid_total=sum(effort.valid for effort in station.efforts),
                )
            )
    for test, curve in enumerate(found.curves, start=1):
        if curve is not None and min(curve.points[0].torque_nm, curve.points[-1].torque_nm) > 0.0:
            rows.append(_curve(result_id, test, curve))
    rows += [_set(result_id, number, one) for number, one in enumerate(found.sets, start=1)]
    return rows


def _curve(result_id: int, test: int, curve: TorqueCurve) -> CurveRow:
    area, ratio = curve.area(), curve.flexed_to_extended()
    return CurveRow(
        result_id=result_id,
        test=test,
        low_degrees=curve.low_degrees,
        high_degrees=curve.high_degrees,
        area=area.value,
        area_u=area.standard_uncertainty,
        ratio=ratio.value,
        ratio_u=ratio.standard_uncertainty,
    )


def _set(result_id: int, number: int, one: SetSummary) -> SetRow:
    return SetRow(
        result_id=result_id,
        number=number,
        repetitions=one.count,
        faulty=sum(bool(repetition.findings) for repetition in one.repetitions),
        load_nm=one.load_nm if math.isfinite(one.load_nm) else 0.0,
        work_j=one.work.value,
        work_u=one.work.standard_uncertainty,
        seconds_under_load=one.seconds_under_load,
        stopped_because=one.stop.reason if one.stop else "",
    )


def _result(session: Session, row: ResultRow) -> Result:
    stations = session.scalars(
        select(StationRow)
        .where(StationRow.result_id == row.id)
        .order_by(StationRow.test, StationRow.degrees)
    )
    curves = session.scalars(
        select(CurveRow).where(CurveRow.result_id == row.id).order_by(CurveRow.test)
    )
    sets = session.scalars(select(SetRow).where(SetRow.result_id == row.id).order_by(SetRow.number))
    return Result(
        row.id,
        row.visit_id,
        row.recording_id,
        row.filed_at,
        row.software,
        row.machine,
        Joint(row.joint),
        tuple(row.calibration_ids),
        from_plain(SessionFacts, row.facts),
        tuple(station_figure(one) for one in stations),
        tuple(_curve_figure(one) for one in curves),
        tuple(_set_figure(one) for one in sets),
    )


def station_figure(row: StationRow) -> StationFigure:
    """A station's row as a plain record."""
    return StationFigure(
        row.test,
        row.degrees,
        Measured(row.torque_nm, row.torque_u, "N·m"),
        row.common_u,
        row.efforts_total,
        row.valid_total,
    )


def _curve_figure(row: CurveRow) -> CurveFigure:
    return CurveFigure(
        row.test,
        row.low_degrees,
        row.high_degrees,
        Measured(row.area, row.area_u, "N·m·rad"),
        Measured(row.ratio, row.ratio_u, ""),
    )


def _set_figure(row: SetRow) -> SetFigure:
    return SetFigure(
        row.number,
        row.repetitions,
        row.faulty,
        row.load_nm,
        Measured(row.work_j, row.work_u, "J"),
        row.seconds_under_load,
        row.stopped_because,
    )
