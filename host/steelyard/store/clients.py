"""Clients: by code, searched, changed with care for other operators."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from steelyard.errors import AlreadyKeptError, ChangedMeanwhileError, NotKeptError
from steelyard.store import entry_checks as check
from steelyard.store.audit_trail import note_changes
from steelyard.store.database import Database
from steelyard.store.kept import Client, ClientLine
from steelyard.store.tables import ClientRow, VisitRow

_FIELDS = ("note", "cautions", "body_mass_kg", "stature_metres")


class Clients:
    """The clients of the practice."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(
        self,
        code: str,
        note: str = "",
        cautions: str = "",
        body_mass_kg: float | None = None,
        stature_metres: float | None = None,
    ) -> Client:
        """A new client.  Raises ClientCodeError, EntryError, AlreadyKeptError."""
        given = _checked(Client(code, note, cautions, body_mass_kg, stature_metres))
        with self._database.writing() as (session, trail):
            if session.scalar(select(ClientRow.id).where(ClientRow.code == given.code)):
                raise AlreadyKeptError(
                    f"There is a client {given.code} already.", "Use the next free code."
                )
            row = ClientRow(
                code=given.code,
                folded=_folded(given),
                added_at=trail.at,
                version=1,
                **_fields(given),
            )
            session.add(row)
            session.flush()
            trail.note("client added", (row.id, row.code), new=_fields(given))
            return _client(row)

    def get(self, code: str) -> Client:
        """One client.  Raises NotKeptError."""
        with self._database.reading() as session:
            return _client(client_row(session, code))

    def change(self, client: Client) -> Client:
        """Keep what is different in ``client``, which came from ``get``, ``add`` or ``change``.

        Raises ChangedMeanwhileError when it was changed since, and then keeps nothing.
        """
        given = _checked(client)
        with self._database.writing() as (session, trail):
            row = client_row(session, given.code)
            require_version(f"Client {row.code}", row.version, client.version)
            old, new = _fields(row), _fields(given)
            if old == new:
                return _client(row)
            note_changes(trail, "client changed", (row.id, row.code), old, new)
            for name, value in new.items():
                setattr(row, name, value)
            row.folded, row.version = _folded(given), row.version + 1
            return _client(row)

    def list(self, search: str = "", limit: int | None = None, offset: int = 0) -> list[ClientLine]:
        """Clients in order of code, with their visits counted.

        ``search`` is looked for as it stands in code and note; capitals do not matter.
        """
        visits = (
            select(
                VisitRow.client_id,
                func.count().label("total"),
                func.max(VisitRow.started_at).label("last"),
            )
            .group_by(VisitRow.client_id)
            .subquery()
        )
        query = (
            select(
                ClientRow.code, ClientRow.note, ClientRow.cautions, visits.c.total, visits.c.last
            )
            .outerjoin(visits, visits.c.client_id == ClientRow.id)
            .order_by(ClientRow.code)
            .limit(limit)
            .offset(offset)
        )
        if search.strip():
            wanted = search.strip().casefold().replace("\x00", "")
            query = query.where(ClientRow.folded.contains(wanted, autoescape=True))
        with self._database.reading() as session:
            return [
                ClientLine(code, note, cautions, total or 0, last)
                for code, note, cautions, total, last in session.execute(query)
            ]

    def next_code(self, letters: str = "C") -> str:
        """The code after the highest one with these letters: three digits, or more."""
        first = check.client_code(f"{letters}-001")
        start = first.removesuffix("001")
        with self._database.reading() as session:
            codes: Sequence[str] = session.scalars(
                select(ClientRow.code).where(ClientRow.code.startswith(start))
            ).all()
        highest = max((int(code.removeprefix(start)) for code in codes), default=0)
        return check.client_code(f"{start}{highest + 1:03d}")


def client_row(session: Session, code: str) -> ClientRow:
    """The row of a code.  Raises ClientCodeError, NotKeptError."""
    wanted = check.client_code(code)
    row = session.scalars(select(ClientRow).where(ClientRow.code == wanted)).one_or_none()
    if row is None:
        raise NotKeptError(
            f"There is no client {wanted}.", "See the list of clients, or add this one."
        )
    return row


def require_version(what: str, kept: int, given: int) -> None:
    """Refuse a change that was based on an older state.  Raises ChangedMeanwhileError."""
    if kept != given:
        raise ChangedMeanwhileError(
            f"{what} was changed meanwhile: it is at version {kept}, your entry is based on "
            f"{given}.",
            "Nothing was overwritten. Look at it again, and repeat your entry if still wanted.",
        )


def _client(row: ClientRow) -> Client:
    return Client(row.code, **_fields(row), added_at=row.added_at, version=row.version)


def _fields(of: Client | ClientRow) -> dict[str, Any]:
    return {name: getattr(of, name) for name in _FIELDS}


def _folded(client: Client) -> str:
    return f"{client.code}\n{client.note}\n{client.cautions}".casefold()


def _checked(client: Client) -> Client:
    return dataclasses.replace(
        client,
        code=check.client_code(client.code),
        note=check.note(client.note),
        cautions=check.note(client.cautions, "text of cautions"),
        body_mass_kg=check.number(client.body_mass_kg, 20.0, 300.0, "body mass in kg"),
        stature_metres=check.number(client.stature_metres, 1.0, 2.5, "height in m"),
    )
