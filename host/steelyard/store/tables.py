"""The schema, the same on SQLite and PostgreSQL.

A change here needs a migration in ``migrations/versions`` and a new ``HEAD`` in
``schema``.  Everything of a client hangs on ``clients`` and goes with its row.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Moment(TypeDecorator[datetime]):
    """A time in UTC.  SQLite keeps no zone: it is put back on reading."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC, without zone where the database has none."""
        if value is None:
            return None
        at = value.astimezone(UTC)
        return at.replace(tzinfo=None) if dialect.name == "sqlite" else at

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """In UTC, with its zone."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Table(DeclarativeBase):
    """Base of all tables; constraints have names, so that migrations can speak of them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 -- read by SQLAlchemy as it stands
        datetime: Moment,
        dict[str, Any]: JSON(none_as_null=True),
        list[Any]: JSON(none_as_null=True),
    }


def _key() -> Mapped[int]:
    return mapped_column(Integer, primary_key=True)


def _of_client() -> Mapped[int]:
    return mapped_column(ForeignKey("clients.id", ondelete="CASCADE"))


def _of_result() -> Mapped[int]:
    return mapped_column(ForeignKey("results.id", ondelete="CASCADE"), index=True)


class ClientRow(Table):
    """A client.  ``folded`` is what searches look in: code and note without capitals."""

    __tablename__ = "clients"
    __table_args__ = ({"sqlite_autoincrement": True},)

    id: Mapped[int] = _key()
    code: Mapped[str] = mapped_column(String(16), unique=True)
    note: Mapped[str] = mapped_column(Text)
    cautions: Mapped[str] = mapped_column(Text)
    body_mass_kg: Mapped[float | None]
    stature_metres: Mapped[float | None]
    folded: Mapped[str] = mapped_column(Text)
    added_at: Mapped[datetime]
    version: Mapped[int]


class SetUpRow(Table):
    """A set-up as it was saved once; the highest number is in use."""

    __tablename__ = "set_ups"
    __table_args__ = (UniqueConstraint("client_id", "machine", "number"),)

    id: Mapped[int] = _key()
    client_id: Mapped[int] = _of_client()
    machine: Mapped[str] = mapped_column(String(16))
    number: Mapped[int]
    content: Mapped[dict[str, Any]]
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(8))


class LimitsRow(Table):
    """Limits as they were entered once; the highest number is in use."""

    __tablename__ = "limits"
    __table_args__ = (UniqueConstraint("client_id", "machine", "number"),)

    id: Mapped[int] = _key()
    client_id: Mapped[int] = _of_client()
    machine: Mapped[str] = mapped_column(String(16))
    number: Mapped[int]
    content: Mapped[dict[str, Any]]
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(8))


class ConsentRow(Table):
    """A consent; withdrawn when the last two are filled."""

    __tablename__ = "consents"

    id: Mapped[int] = _key()
    client_id: Mapped[int] = mapped_column(ForeignKey("clients.id", ondelete="CASCADE"), index=True)
    text_version: Mapped[str] = mapped_column(String(40))
    given_at: Mapped[datetime]
    given_to: Mapped[str] = mapped_column(String(8))
    withdrawn_at: Mapped[datetime | None]
    withdrawn_to: Mapped[str] = mapped_column(String(8))


class ServiceRow(Table):
    """A line of the practice's table of services; prices in hundredths."""

    __tablename__ = "services"

    id: Mapped[int] = _key()
    code: Mapped[str] = mapped_column(String(24), unique=True)
    name: Mapped[str] = mapped_column(String(80))
    minutes: Mapped[int | None]
    price_hundredths: Mapped[int | None] = mapped_column(BigInteger)
    offered: Mapped[bool]
    version: Mapped[int]


class VisitRow(Table):
    """A visit.  The price is that of the day, whatever becomes of the table of services."""

    __tablename__ = "visits"
    __table_args__ = (
        Index(None, "client_id", "started_at"),
        Index(None, "started_at"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = _key()
    client_id: Mapped[int] = _of_client()
    machine: Mapped[str] = mapped_column(String(16))
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    service_id: Mapped[int | None] = mapped_column(ForeignKey("services.id"))
    minutes: Mapped[int | None]
    price_hundredths: Mapped[int | None] = mapped_column(BigInteger)
    operator: Mapped[str] = mapped_column(String(8))
    note: Mapped[str] = mapped_column(Text)
    folded: Mapped[str] = mapped_column(Text)
    repeat_of: Mapped[int | None] = mapped_column(
        ForeignKey("visits.id", ondelete="SET NULL"), index=True
    )
    version: Mapped[int]


class RecordingRow(Table):
    """A recording on disk that belongs to a visit."""

    __tablename__ = "recordings"
    __table_args__ = (UniqueConstraint("recording_id"),)

    id: Mapped[int] = _key()
    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id", ondelete="CASCADE"), index=True)
    recording_id: Mapped[str] = mapped_column(String(40))
    path: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))
    size_bytes: Mapped[int] = mapped_column(BigInteger)


class ResultRow(Table):
    """What was measured in one recording of a visit."""

    __tablename__ = "results"
    __table_args__ = (
        UniqueConstraint("visit_id", "recording_id"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = _key()
    visit_id: Mapped[int] = mapped_column(ForeignKey("visits.id", ondelete="CASCADE"))
    recording_id: Mapped[str] = mapped_column(String(40))
    filed_at: Mapped[datetime]
    software: Mapped[str] = mapped_column(String(40))
    machine: Mapped[str] = mapped_column(String(16))
    joint: Mapped[str] = mapped_column(String(16))
    calibration_ids: Mapped[list[Any]]
    facts: Mapped[dict[str, Any]]


class AnalysisRow(Table):
    """The whole analysis of a result; apart, because lists and trends do not need it."""

    __tablename__ = "analyses"

    result_id: Mapped[int] = mapped_column(
        ForeignKey("results.id", ondelete="CASCADE"), primary_key=True
    )
    content: Mapped[dict[str, Any]]


class StationRow(Table):
    """Best valid effort at a station; torques in N·m, standard uncertainties."""

    __tablename__ = "stations"

    id: Mapped[int] = _key()
    result_id: Mapped[int] = _of_result()
    test: Mapped[int]
    degrees: Mapped[float]
    torque_nm: Mapped[float]
    torque_u: Mapped[float]
    common_u: Mapped[float]
    efforts_total: Mapped[int]
    valid_total: Mapped[int]


class CurveRow(Table):
    """A torque-angle curve: area in N·m·rad."""

    __tablename__ = "curves"

    id: Mapped[int] = _key()
    result_id: Mapped[int] = _of_result()
    test: Mapped[int]
    low_degrees: Mapped[float]
    high_degrees: Mapped[float]
    area: Mapped[float]
    area_u: Mapped[float]
    ratio: Mapped[float]
    ratio_u: Mapped[float]


class SetRow(Table):
    """A set of repetitions: load in N·m, work in J."""

    __tablename__ = "sets"

    id: Mapped[int] = _key()
    result_id: Mapped[int] = _of_result()
    number: Mapped[int]
    repetitions: Mapped[int]
    faulty: Mapped[int]
    load_nm: Mapped[float]
    work_j: Mapped[float]
    work_u: Mapped[float]
    seconds_under_load: Mapped[float]
    stopped_because: Mapped[str] = mapped_column(Text)


class PracticeRow(Table):
    """What the practice laid down: one row."""

    __tablename__ = "practice"

    id: Mapped[int] = _key()
    content: Mapped[dict[str, Any]]
    version: Mapped[int]


class AuditRow(Table):
    """One change.  ``entry`` and ``salt`` are None once erased; the chain holds all the same."""

    __tablename__ = "audit"

    number: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    client_id: Mapped[int | None] = mapped_column(index=True)
    entry: Mapped[str | None] = mapped_column(Text)
    salt: Mapped[str | None] = mapped_column(String(32))
    digest: Mapped[str] = mapped_column(String(64))
    link: Mapped[str] = mapped_column(String(64))


class AuditHeadRow(Table):
    """The last entry of the audit trail: an end cut off is noticed, and writers queue here."""

    __tablename__ = "audit_head"

    id: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    number: Mapped[int]
    link: Mapped[str] = mapped_column(String(64))
