"""Transactions: whole or not at all, one writer at a time, and no library's error gets out.

A writer takes its turn before it reads, so what it found is still true when it
writes: SQLite by BEGIN IMMEDIATE, PostgreSQL by a lock on the audit trail's head.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import (
    DatabaseError,
    DBAPIError,
    IntegrityError,
    SQLAlchemyError,
)
from sqlalchemy.orm import Session

from steelyard.errors import (
    ChangedMeanwhileError,
    EntryError,
    MissingExtraError,
    PlaceError,
    StoreDamagedError,
    StoreDiskError,
    StoreError,
)
from steelyard.store.audit_trail import AuditTrail
from steelyard.store.place import Place, prepare_folder

WRITES: Final = "steelyard_writes"
BUSY_SECONDS: Final = 10
_PRAGMAS: Final = (
    "journal_mode=WAL",
    "synchronous=FULL",  # what was acknowledged survives a power cut
    "foreign_keys=ON",
    "secure_delete=ON",  # deleted content is written over with zeros
)


class Database:
    """One database.  Safe to use from several threads; every call is a transaction."""

    def __init__(self, place: Place, operator: str, now: Callable[[], datetime]) -> None:
        self.place = place
        self.operator = operator
        self.now = now
        self.engine = _engine(place)

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A consistent view."""
        with plain_errors(self.place), Session(self.engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[tuple[Session, AuditTrail]]:
        """A transaction with its audit trail; kept when the block ends, undone when it raises.

        Raises EntryError when nobody said who is entering.
        """
        if not self.operator:
            raise EntryError(
                "Nobody said who is entering this.", "Give the operator's initials, such as AB."
            )
        engine = self.engine.execution_options(**{WRITES: True})
        with plain_errors(self.place), Session(engine) as session, session.begin():
            trail = AuditTrail(session, self.operator, self.now())
            yield session, trail
            session.flush()

    def close(self) -> None:
        """Let go of all connections."""
        self.engine.dispose()


def _engine(place: Place) -> Engine:
    options: dict[str, Any] = {
        "json_serializer": partial(json.dumps, allow_nan=False, ensure_ascii=False)
    }
    if place.file is None:
        try:
            engine = create_engine(
                place.url,
                pool_pre_ping=True,
                connect_args={"connect_timeout": BUSY_SECONDS, "application_name": "steelyard"},
                **options,
            )
        except ImportError as error:
            raise MissingExtraError(
                "Keeping records on a PostgreSQL server needs the library psycopg.",
                "Install it with: pip install 'steelyard[store,server]'.",
            ) from error
        return engine
    prepare_folder(place.file)
    engine = create_engine(place.url, connect_args={"timeout": BUSY_SECONDS}, **options)
    event.listen(engine, "connect", _prepare_connection)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare_connection(connection: Any, record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver's guess
    cursor = connection.cursor()
    for pragma in _PRAGMAS:
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def utc_now() -> datetime:
    """This moment."""
    return datetime.now(UTC)


@contextmanager
def plain_errors(place: Place) -> Iterator[None]:
    """Say what a failure of the database means, and what to do."""
    try:
        yield
    except IntegrityError as error:
        raise ChangedMeanwhileError(
            "Somebody else entered or deleted the same thing at this moment.",
            "Look at it again, and repeat your entry if it is still wanted.",
        ) from error
    except DBAPIError as error:
        raise _meaning(error, place) from error
    except sqlite3.Error as error:
        raise _of_sqlite(error, place) from error
    except SQLAlchemyError as error:
        raise StoreError(f"The database at {place.text} failed: {_short(error)}.", "") from error


def _meaning(error: DBAPIError, place: Place) -> StoreError:
    cause = error.orig
    if isinstance(cause, sqlite3.Error):
        return _of_sqlite(cause, place)
    return _of_server(error, place)


def _of_sqlite(cause: sqlite3.Error, place: Place) -> StoreError:
    name = str(getattr(cause, "sqlite_errorname", ""))
    for start, kind, what, advice in (
        ("SQLITE_FULL", StoreDiskError, "the disk is full", "Free some space and try again."),
        (
            "SQLITE_BUSY",
            StoreDiskError,
            f"another program has held it for more than {BUSY_SECONDS} s",
            "Try again; see which other program has the records open.",
        ),
        ("SQLITE_LOCKED", StoreDiskError, "it is locked", "Try again."),
        ("SQLITE_READONLY", StoreDiskError, "it is read-only", "Check folder and file."),
        ("SQLITE_IOERR", StoreDiskError, "the disk failed", "Check space and disk; try again."),
        ("SQLITE_CANTOPEN", PlaceError, "it cannot be opened", "Check folder and rights."),
        (
            "SQLITE_NOTADB",
            StoreDamagedError,
            "it is no database",
            "Put back a copy: steelyard records restore.",
        ),
        (
            "SQLITE_CORRUPT",
            StoreDamagedError,
            "it is damaged",
            "Put back a copy: steelyard records restore.",
        ),
    ):
        if name.startswith(start):
            return kind(
                f"Records at {place.text}: {what} ({cause}). Nothing of this entry was kept.",
                advice,
            )
    return StoreError(f"Records at {place.text}: {cause}.", "Nothing of this entry was kept.")


def _of_server(error: DatabaseError | DBAPIError, place: Place) -> StoreError:
    state = str(getattr(error.orig, "sqlstate", "") or "")
    what = f"The server for records {place.text}"
    if state.startswith("53"):
        return StoreDiskError(
            f"{what} is out of space or memory ({_short(error)}). Nothing of this entry was kept.",
            "Free some space on it and try again.",
        )
    if state in ("40001", "40P01", "55P03"):
        return StoreDiskError(f"{what} was busy with another entry.", "Try again.")
    if state == "25006":
        return StoreDiskError(f"{what} is read-only.", "Ask who looks after it.")
    if error.connection_invalidated or not state or state[:2] in ("08", "28", "3D", "57"):
        return PlaceError(
            f"{what} cannot be reached or does not let this user in: {_short(error)}.",
            "Check that it runs, the address, user and password; then try again.",
        )
    return StoreError(f"{what} refused: {_short(error)}.", "Nothing of this entry was kept.")


def _short(error: SQLAlchemyError) -> str:
    cause = getattr(error, "orig", None) or error
    lines = [line.strip() for line in str(cause).strip().splitlines() if line.strip()]
    return lines[0].rstrip(".")[:200] if lines else type(cause).__name__
