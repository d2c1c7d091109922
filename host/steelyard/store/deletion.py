"""Deleting one client for good: from the tables, from the file's bytes, and from the copies."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import delete, func, select, text, update
from sqlalchemy.orm import Session

from steelyard.errors import NotKeptError, StoreError
from steelyard.store.audit_trail import DELETED, AuditTrail
from steelyard.store.clients import client_row
from steelyard.store.copies import Copies, connected
from steelyard.store.database import Database, plain_errors
from steelyard.store.kept import RecordingFile
from steelyard.store.place import Place
from steelyard.store.recording_files import is_untouched
from steelyard.store.schema import require_current
from steelyard.store.tables import (
    AuditRow,
    ClientRow,
    RecordingRow,
    ResultRow,
    Table,
    VisitRow,
)
from steelyard.store.visits import recording_file


@dataclass(frozen=True)
class Deletion:
    """What was deleted, and what is left to be done by hand.

    ``recordings_left``: files that still lie on disk.  ``remarks``: what could not be done.
    """

    visits_total: int
    results_total: int
    audit_entries_erased: int
    recordings_deleted: tuple[RecordingFile, ...]
    recordings_left: tuple[RecordingFile, ...]
    copies_cleaned: int
    remarks: tuple[str, ...]


def delete_client(database: Database, code: str, *, recordings_too: bool) -> Deletion:
    """Delete a client with everything that hangs on the code.  It cannot be undone.

    Copies of the database are cleaned in the same way; one that cannot be is deleted.  With
    ``recordings_too`` recordings on disk are deleted, but only files that are the very ones
    that were filed.  Raises NotKeptError.
    """
    with database.writing() as (session, trail):
        row = client_row(session, code)
        files, wanted = _files_of(session, row.id), row.code
        counts = _erase(session, trail, row)
        remarks = _mentions(session, wanted)
    deleted, left = _delete_files(files) if recordings_too else ((), files)
    remarks += wipe(database)
    cleaned, about_copies = _clean_copies(database, wanted)
    return Deletion(
        counts["visits"],
        counts["results"],
        counts["audit_entries_erased"],
        deleted,
        left,
        cleaned,
        tuple(remarks + about_copies),
    )


def _files_of(session: Session, client_id: int) -> tuple[RecordingFile, ...]:
    rows = session.scalars(
        select(RecordingRow)
        .join(VisitRow, VisitRow.id == RecordingRow.visit_id)
        .where(VisitRow.client_id == client_id)
        .order_by(RecordingRow.id)
    )
    return tuple(recording_file(row) for row in rows)


def _erase(session: Session, trail: AuditTrail, row: ClientRow) -> dict[str, int]:
    """Rows go with the client's own; audit entries keep their digest and lose their content."""
    of_client = VisitRow.client_id == row.id
    results = select(func.count(ResultRow.id)).join(VisitRow, VisitRow.id == ResultRow.visit_id)
    counts = {
        "visits": session.scalar(select(func.count(VisitRow.id)).where(of_client)) or 0,
        "results": session.scalar(results.where(of_client)) or 0,
    }
    erased: Any = session.execute(
        update(AuditRow)
        .where(AuditRow.client_id == row.id)
        .values(entry=None, salt=None, client_id=None)
        .execution_options(synchronize_session=False)
    )
    counts["audit_entries_erased"] = erased.rowcount
    session.execute(
        delete(ClientRow).where(ClientRow.id == row.id).execution_options(synchronize_session=False)
    )
    session.expunge(row)
    trail.note(DELETED, None, new=counts)
    return counts


def _mentions(session: Session, code: str) -> list[str]:
    """Notes of other clients that hold the code: they are for people to look at."""
    wanted = code.casefold()
    clients = session.scalars(
        select(ClientRow.code).where(ClientRow.folded.contains(wanted, autoescape=True))
    ).all()
    visits = session.scalars(
        select(VisitRow.id).where(VisitRow.folded.contains(wanted, autoescape=True))
    ).all()
    found = [*clients, *(f"visit {number}" for number in visits)]
    if not found:
        return []
    return [f"The code may be mentioned in notes of: {', '.join(map(str, found[:20]))}."]


def _delete_files(
    files: tuple[RecordingFile, ...],
) -> tuple[tuple[RecordingFile, ...], tuple[RecordingFile, ...]]:
    """Delete those that are what was filed; gives those deleted and those left."""
    deleted, left = [], []
    for file in files:
        same = is_untouched(file)
        if same:
            with contextlib.suppress(OSError):
                Path(file.path).unlink()
                deleted.append(file)
                continue
        if same is not None:
            left.append(file)
    return tuple(deleted), tuple(left)


def wipe(database: Database) -> list[str]:
    """Get deleted content out of the file itself; says what could not be done.

    SQLite overwrote it with zeros when it was deleted (``secure_delete``); the file is rebuilt
    and its write-ahead log emptied.  PostgreSQL rebuilds the tables.
    """
    try:
        if database.place.file is not None:
            return _wipe_file(database.place, database.place.file)
        return _wipe_server(database)
    except StoreError as error:
        return [f"Deleted, but the file was not rebuilt: {error.what}"]


def _wipe_file(place: Place, file: Path) -> list[str]:
    with plain_errors(place), connected(file) as connection:
        connection.execute("PRAGMA secure_delete=ON")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("VACUUM")
        busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if busy:
        return [
            "Another program is reading the records: what was deleted leaves the file's log as "
            "soon as all of them are closed."
        ]
    return []


def _wipe_server(database: Database) -> list[str]:
    names = ", ".join(table.name for table in Table.metadata.sorted_tables)
    with (
        plain_errors(database.place),
        database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection,
    ):
        connection.execute(text("SET lock_timeout = '10s'"))
        connection.execute(text(f"VACUUM (FULL) {names}"))
        connection.execute(text("RESET lock_timeout"))
    return ["The server's own log and its copies (pg_dump) may still hold what was deleted."]


def _clean_copies(database: Database, code: str) -> tuple[int, list[str]]:
    """Delete the client from every copy; how many had the client, and what went otherwise."""
    cleaned, remarks = 0, []
    for copy in Copies(database).list():
        try:
            cleaned += _clean_copy(database, copy.path, code)
        except StoreError as error:
            copy.path.unlink(missing_ok=True)
            remarks.append(f"Copy {copy.path.name} could not be cleaned, so it went: {error.what}")
    for path in Copies(database).leftovers():
        path.unlink(missing_ok=True)
        remarks.append(f"{path.name} could not be cleaned, so it went.")
    return cleaned, remarks


def _clean_copy(database: Database, path: Path, code: str) -> bool:
    place = Place(database.place.url.set(database=str(path)), path)
    copy = Database(place, database.operator, database.now)
    try:
        require_current(copy)
        with copy.writing() as (session, trail):
            try:
                row = client_row(session, code)
            except NotKeptError:
                return False
            _erase(session, trail, row)
        for remark in wipe(copy):
            raise StoreError(remark)
        return True
    finally:
        copy.close()
        with plain_errors(place), connected(path) as connection:
            connection.execute("PRAGMA journal_mode=DELETE")
