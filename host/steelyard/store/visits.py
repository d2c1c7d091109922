"""The log of visits: who by code, when, on which machine, for what, how long."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from steelyard.errors import EntryError, NotKeptError
from steelyard.store import entry_checks as check
from steelyard.store.audit_trail import note_changes
from steelyard.store.clients import client_row, require_version
from steelyard.store.database import Database
from steelyard.store.kept import NewVisit, RecordingFile, Visit, VisitFilter, VisitLine
from steelyard.store.services import service_row, to_hundredths, to_price
from steelyard.store.tables import ClientRow, RecordingRow, ResultRow, ServiceRow, VisitRow


class Visits:
    """Visits of all clients."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def log(self, visit: NewVisit) -> Visit:
        """Log a visit.  Raises EntryError, NotKeptError."""
        with self._database.writing() as (session, trail):
            client = client_row(session, visit.client)
            fields = _fields(session, visit, client, self._database.now(), trail.operator)
            row = VisitRow(client_id=client.id, version=1, **fields)
            session.add(row)
            session.flush()
            trail.note("visit logged", (client.id, client.code), str(row.id), new=_said(fields))
            return _visit(session, row, client.code)

    def get(self, visit_id: int) -> Visit:
        """One visit.  Raises NotKeptError."""
        with self._database.reading() as session:
            row, code = visit_row(session, visit_id)
            return _visit(session, row, code)

    def of_recording(self, recording_id: str) -> Visit | None:
        """The visit under which a recording is filed; None when it is under none."""
        query = select(RecordingRow.visit_id).where(RecordingRow.recording_id == recording_id)
        with self._database.reading() as session:
            found = session.scalars(query).one_or_none()
            return None if found is None else _visit(session, *visit_row(session, found))

    def change(self, visit: Visit) -> Visit:
        """Keep what is different in ``visit``, which came from here; not its client.

        Another ``service`` does not change ``price`` or ``minutes`` by itself.  Recordings and
        results are filed, not changed here.  Raises EntryError, ChangedMeanwhileError.
        """
        with self._database.writing() as (session, trail):
            row, code = visit_row(session, visit.visit_id)
            require_version(f"Visit {row.id}", row.version, visit.version)
            if code != check.client_code(visit.client):
                raise EntryError(
                    f"Visit {row.id} is of {code} and stays so.", "Log another visit instead."
                )
            client = client_row(session, code)
            asked = _as_new(visit)
            new = _fields(session, asked, client, self._database.now(), trail.operator, row.id)
            new |= {"minutes": visit.minutes, "price_hundredths": to_hundredths(visit.price)}
            old = {name: getattr(row, name) for name in new}
            if old == new:
                return _visit(session, row, code)
            act = f"visit {row.id} changed"
            note_changes(trail, act, (client.id, code), _said(old), _said(new))
            for name, value in new.items():
                setattr(row, name, value)
            row.version += 1
            return _visit(session, row, code)

    def list(
        self, wanted: VisitFilter | None = None, limit: int | None = None, offset: int = 0
    ) -> list[VisitLine]:
        """Visits that match, newest first."""
        results = (
            select(func.count())
            .select_from(ResultRow)
            .where(ResultRow.visit_id == VisitRow.id)
            .scalar_subquery()
        )
        query = select(VisitRow, ClientRow.code, ServiceRow.code, results)
        query = _matching(query, wanted or VisitFilter())
        query = query.order_by(VisitRow.started_at.desc(), VisitRow.id.desc())
        with self._database.reading() as session:
            found = session.execute(query.limit(limit).offset(offset))
            return [_line(row, code, service, total) for row, code, service, total in found]

    def count(self, wanted: VisitFilter | None = None) -> int:
        """How many visits match."""
        query = _matching(select(func.count(VisitRow.id)), wanted or VisitFilter())
        with self._database.reading() as session:
            return session.scalar(query) or 0


def visit_row(session: Session, visit_id: int) -> tuple[VisitRow, str]:
    """The row of a visit and its client's code.  Raises NotKeptError."""
    found = None
    if 0 < visit_id < 2**31:
        query = select(VisitRow, ClientRow.code).join(ClientRow, ClientRow.id == VisitRow.client_id)
        found = session.execute(query.where(VisitRow.id == visit_id)).one_or_none()
    if found is None:
        raise NotKeptError(f"There is no visit {visit_id}.", "See the list of visits.")
    return found[0], found[1]


def _matching(query: Select[Any], wanted: VisitFilter) -> Select[Any]:
    query = query.select_from(VisitRow).join(ClientRow, ClientRow.id == VisitRow.client_id)
    query = query.outerjoin(ServiceRow, ServiceRow.id == VisitRow.service_id)
    if wanted.client is not None:
        query = query.where(ClientRow.code == check.client_code(wanted.client))
    if wanted.machine is not None:
        query = query.where(VisitRow.machine == check.machine_name(wanted.machine))
    if wanted.service is not None:
        query = query.where(ServiceRow.code == check.service_code(wanted.service))
    if wanted.since is not None:
        query = query.where(VisitRow.started_at >= wanted.since)
    if wanted.until is not None:
        query = query.where(VisitRow.started_at < wanted.until)
    if wanted.text.strip():
        text = wanted.text.strip().casefold().replace("\x00", "")
        query = query.where(VisitRow.folded.contains(text, autoescape=True))
    return query


def _fields(
    session: Session,
    visit: NewVisit,
    client: ClientRow,
    now: datetime,
    operator: str,
    own_id: int = 0,
) -> dict[str, Any]:
    """The columns of a visit, checked."""
    started = check.moment(visit.started_at, now, "start")
    ended = None if visit.ended_at is None else check.moment(visit.ended_at, now, "end")
    if ended is not None:
        check.span(started, ended)
    service = None if visit.service is None else service_row(session, visit.service)
    machine = check.machine_name(visit.machine)
    check.number(visit.minutes, 0, 1440, "duration in minutes")
    if visit.repeat_of is not None:
        _require_repeatable(session, visit.repeat_of, client, machine, started, own_id)
    by = check.initials(visit.operator or operator)
    text = check.note(visit.note)
    price = to_hundredths(visit.price)
    return {
        "machine": machine,
        "started_at": started,
        "ended_at": ended,
        "service_id": service.id if service else None,
        "minutes": visit.minutes if visit.minutes is not None else _minutes(service, visit),
        "price_hundredths": service.price_hundredths if price is None and service else price,
        "operator": by,
        "note": text,
        "folded": "\n".join(
            (client.code, machine, by, service.code if service else "", text)
        ).casefold(),
        "repeat_of": visit.repeat_of,
    }


def _minutes(service: ServiceRow | None, visit: NewVisit) -> int | None:
    if service is not None and service.minutes is not None:
        return service.minutes
    if visit.ended_at is None:
        return None
    return round((visit.ended_at - visit.started_at).total_seconds() / 60.0)


def _require_repeatable(
    session: Session,
    earlier_id: int,
    client: ClientRow,
    machine: str,
    started: datetime,
    own_id: int,
) -> None:
    earlier, _ = visit_row(session, earlier_id)
    if (
        earlier.client_id != client.id
        or earlier.machine != machine
        or earlier.started_at >= started
        or earlier.id == own_id
    ):
        raise EntryError(
            f"Visit {earlier_id} is no earlier visit of {client.code} on {machine}, so it cannot "
            "be the one that is repeated.",
            "Give the visit whose test was repeated, without training in between.",
        )


def _said(fields: dict[str, Any]) -> dict[str, Any]:
    """Columns as the audit trail keeps them."""
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in fields.items()
        if name != "folded"
    }


def _as_new(visit: Visit) -> NewVisit:
    names = {item.name for item in dataclasses.fields(NewVisit)}
    return NewVisit(**{name: getattr(visit, name) for name in names})


def _visit(session: Session, row: VisitRow, code: str) -> Visit:
    session.flush()
    service = session.get(ServiceRow, row.service_id) if row.service_id is not None else None
    files = session.scalars(
        select(RecordingRow).where(RecordingRow.visit_id == row.id).order_by(RecordingRow.id)
    )
    results = session.scalars(
        select(ResultRow.id).where(ResultRow.visit_id == row.id).order_by(ResultRow.id)
    )
    return Visit(
        row.id,
        code,
        row.machine,
        row.started_at,
        row.ended_at,
        service.code if service else None,
        row.minutes,
        _price(row),
        row.operator,
        row.note,
        row.repeat_of,
        row.version,
        tuple(recording_file(one) for one in files),
        tuple(results),
    )


def recording_file(row: RecordingRow) -> RecordingFile:
    """A recording's row as a plain record."""
    return RecordingFile(row.path, row.recording_id, row.sha256, row.size_bytes)


def _line(row: VisitRow, code: str, service: str | None, results_total: int) -> VisitLine:
    return VisitLine(
        row.id,
        code,
        row.machine,
        row.started_at,
        row.ended_at,
        service,
        row.minutes,
        _price(row),
        row.operator,
        row.note,
        results_total,
    )


def _price(row: VisitRow) -> Decimal | None:
    return to_price(row.price_hundredths)
