"""Entries of which every version is kept: set-ups and limits, by client and machine.

Numbers count from 1; saving number n+1 needs to have seen n.
"""

from __future__ import annotations

from typing import Any, Generic, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from steelyard.store import entry_checks as check
from steelyard.store.clients import client_row, require_version
from steelyard.store.database import Database
from steelyard.store.tables import LimitsRow, SetUpRow

Row = TypeVar("Row", bound="SetUpRow | LimitsRow")


class VersionsKept(Generic[Row]):
    """Versions in one table; ``what`` says what they are."""

    def __init__(self, database: Database, table: type[Row], what: str) -> None:
        self._database = database
        self._table: type[Row] = table
        self._what = what

    def save(self, code: str, machine: str, content: dict[str, Any], based_on: int | None) -> Row:
        """One version more; the one in use when nothing is different.

        Raises ChangedMeanwhileError when ``based_on`` is not the number in use (0: there is
        none); None means the one in use, whatever it is.
        """
        name = check.machine_name(machine)
        with self._database.writing() as (session, trail):
            client = client_row(session, code)
            last = self._last(session, client.id, name)
            number = last.number if last else 0
            if based_on is not None:
                require_version(f"The {self._what} of {client.code} on {name}", number, based_on)
            if last is not None and last.content == content:
                session.expunge(last)
                return last
            row = self._table(
                client_id=client.id,
                machine=name,
                number=number + 1,
                content=content,
                at=trail.at,
                by=trail.operator,
            )
            session.add(row)
            session.flush()
            old = last.content if last else None
            trail.note(f"{self._what} saved", (client.id, client.code), name, old, content)
            session.flush()
            session.expunge(row)
            return row

    def current(self, code: str, machine: str) -> Row | None:
        """The version in use, or None."""
        name = check.machine_name(machine)
        with self._database.reading() as session:
            return self._last(session, client_row(session, code).id, name)

    def history(self, code: str, machine: str | None = None) -> list[Row]:
        """All versions, newest first, of one machine or of all."""
        with self._database.reading() as session:
            client = client_row(session, code)
            query = select(self._table).where(self._table.client_id == client.id)
            if machine is not None:
                query = query.where(self._table.machine == check.machine_name(machine))
            order = (self._table.at.desc(), self._table.id.desc())
            return list(session.scalars(query.order_by(*order)))

    def _last(self, session: Session, client_id: int, machine: str) -> Row | None:
        table = self._table
        return session.scalars(
            select(table)
            .where(table.client_id == client_id, table.machine == machine)
            .order_by(table.number.desc())
            .limit(1)
        ).one_or_none()
