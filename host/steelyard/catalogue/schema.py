"""The catalogue's tables.

Keys are hashes and ids that the things carry themselves, so two sites are
joined without renaming anything, and entering a file again finds it there.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

from sqlalchemy import (
    JSON,
    BigInteger,
    Column,
    Date,
    DateTime,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)


class UtcTime(TypeDecorator[datetime]):
    """A moment in UTC, aware of it; SQLite would forget the zone."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database."""
        if value is None:
            return None
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


VERSION: Final = 1
HASH_LETTERS: Final = 64

METADATA: Final = MetaData()

version = Table(
    "catalogue_version",
    METADATA,
    Column("version", Integer, primary_key=True),
)
site = Table(
    "catalogue_site",
    METADATA,
    Column("name", String(40), primary_key=True),
)
box = Table(
    "catalogue_box",
    METADATA,
    Column("box_id", String(16), primary_key=True, comment="unique id of the microcontroller"),
    Column("name", String(32), nullable=False),
    Column("firmware_version", String(16), nullable=False),
    Column("first_seen", UtcTime, nullable=False),
    Column("last_seen", UtcTime, nullable=False),
)
calibration = Table(
    "catalogue_calibration",
    METADATA,
    Column("calibration_id", String(HASH_LETTERS), primary_key=True, comment="SHA-256 of content"),
    Column("box_id", String(16), nullable=False, index=True),
    Column("channel", Integer, nullable=False),
    Column("sensor_serial", String(32), nullable=False),
    Column("quantity", String(8), nullable=False),
    Column("due_on", Date),
    Column("sealed_json", Text, nullable=False),
)
recording = Table(
    "catalogue_recording",
    METADATA,
    Column("sha256", String(HASH_LETTERS), primary_key=True, comment="of the whole file"),
    Column("recording_id", String(36), nullable=False, index=True),
    Column("site", String(40), ForeignKey(site.c.name), nullable=False),
    Column("box_id", String(16), ForeignKey(box.c.box_id), nullable=False),
    Column("machine", String(16), nullable=False),
    Column("client_code", String(16), nullable=False, comment="a code, never a name"),
    Column("started", UtcTime, nullable=False),
    Column("duration_seconds", Float, nullable=False),
    Column("samples_total", BigInteger, nullable=False),
    Column("missing_total", BigInteger, nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    Column("verdict", String(24), nullable=False),
    Column("findings", JSON, nullable=False),
    Index("catalogue_recording_by_client", "site", "client_code", "started"),
    Index("catalogue_recording_by_box", "box_id", "started"),
)
used_calibration = Table(
    "catalogue_used_calibration",
    METADATA,
    Column("sha256", String(HASH_LETTERS), ForeignKey(recording.c.sha256), primary_key=True),
    Column(
        "calibration_id",
        String(HASH_LETTERS),
        ForeignKey(calibration.c.calibration_id),
        primary_key=True,
    ),
)
place = Table(
    "catalogue_place",
    METADATA,
    Column("sha256", String(HASH_LETTERS), ForeignKey(recording.c.sha256), primary_key=True),
    Column("path", Text, primary_key=True, comment="where a copy of the file lies"),
)
result = Table(
    "catalogue_result",
    METADATA,
    Column("sha256", String(HASH_LETTERS), ForeignKey(recording.c.sha256), primary_key=True),
    Column("analysis", String(40), primary_key=True),
    Column("analysis_version", String(24), primary_key=True),
    Column("content_sha256", String(HASH_LETTERS), primary_key=True),
    Column("content", JSON, nullable=False),
)
