"""The practice's own table of services and prices."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from steelyard.errors import EntryError, NotKeptError
from steelyard.store import entry_checks as check
from steelyard.store.audit_trail import note_changes
from steelyard.store.clients import require_version
from steelyard.store.database import Database
from steelyard.store.kept import Service
from steelyard.store.tables import ServiceRow

_FIELDS = ("name", "minutes", "price_hundredths", "offered")
HIGHEST_PRICE = Decimal(10_000_000)


class Services:
    """Services: whatever the practice sells, such as a spine-only visit."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def list(self, offered_only: bool = False) -> list[Service]:
        """All of them, in order of their keys."""
        query = select(ServiceRow).order_by(ServiceRow.code)
        if offered_only:
            query = query.where(ServiceRow.offered)
        with self._database.reading() as session:
            return [_service(row) for row in session.scalars(query)]

    def get(self, code: str) -> Service:
        """One of them.  Raises NotKeptError."""
        with self._database.reading() as session:
            return _service(service_row(session, code))

    def save(self, service: Service) -> Service:
        """Add one (``version`` 0) or change one that was read.

        Visits that were logged keep the price of their day.  Raises EntryError,
        ChangedMeanwhileError.
        """
        code = check.service_code(service.code)
        new = _fields(service)
        with self._database.writing() as (session, trail):
            row = session.scalars(select(ServiceRow).where(ServiceRow.code == code)).one_or_none()
            require_version(f"Service {code}", row.version if row else 0, service.version)
            if row is None:
                row = ServiceRow(code=code, version=1, **new)
                session.add(row)
                trail.note("service added", None, code, None, new)
                return _service(row)
            old = {name: getattr(row, name) for name in _FIELDS}
            note_changes(trail, f"service {code} changed", None, old, new)
            for name, value in new.items():
                setattr(row, name, value)
            row.version += old != new
            return _service(row)


def service_row(session: Session, code: str) -> ServiceRow:
    """The row of a key.  Raises EntryError, NotKeptError."""
    wanted = check.service_code(code)
    row = session.scalars(select(ServiceRow).where(ServiceRow.code == wanted)).one_or_none()
    if row is None:
        known = ", ".join(session.scalars(select(ServiceRow.code).order_by(ServiceRow.code)))
        raise NotKeptError(
            f"The practice has no service “{wanted}”.", f"There are: {known or 'none yet'}."
        )
    return row


def to_hundredths(price: Decimal | None) -> int | None:
    """A price as a whole number of hundredths; refuses fractions of them."""
    if price is None:
        return None
    if not price.is_finite() or not 0 <= price <= HIGHEST_PRICE or price * 100 % 1:
        raise EntryError(
            f"{str(price)[:40]} is no price: from 0 to {HIGHEST_PRICE}, two decimals at most.",
            "Give it with a dot, such as 45.50.",
        )
    return int(price * 100)


def to_price(hundredths: int | None) -> Decimal | None:
    """The same as an amount with two decimals."""
    return None if hundredths is None else Decimal(hundredths).scaleb(-2)


def _fields(service: Service) -> dict[str, Any]:
    check.number(service.minutes, 1, 1440, "duration in minutes")
    return {
        "name": check.service_name(service.name),
        "minutes": service.minutes,
        "price_hundredths": to_hundredths(service.price),
        "offered": service.offered,
    }


def _service(row: ServiceRow) -> Service:
    return Service(
        row.code, row.name, row.minutes, to_price(row.price_hundredths), row.offered, row.version
    )
