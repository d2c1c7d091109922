"""Entering recordings and results, and finding them again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Select, Table, func, select, update
from sqlalchemy.dialects import postgresql, sqlite

from steelyard import __version__
from steelyard.calibration.calibration_file import AnyCalibration
from steelyard.catalogue import schema
from steelyard.catalogue.database import open_database, told
from steelyard.catalogue.facts import RecordingFacts
from steelyard.errors import CatalogueError


@dataclass(frozen=True)
class Wanted:
    """Which recordings to find; everything that is given must hold.

    ``first_day`` and ``last_day``: days in UTC, both included.
    """

    site: str = ""
    box_id: str = ""
    machine: str = ""
    client_code: str = ""
    verdict: str = ""
    first_day: date | None = None
    last_day: date | None = None


class Catalogue(AbstractContextManager["Catalogue"]):
    """An open catalogue; use it in a ``with`` block.

    Entering is one transaction for each file.  What is there already stays as it
    is, so a site that was away simply enters everything again.
    """

    def __init__(self, where: str) -> None:
        """``where``: see `open_database`.  Raises CatalogueError."""
        self._where = where
        self._engine = open_database(where)

    def __exit__(self, *exception: object) -> None:
        """Let go of the database."""
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def add(self, facts: RecordingFacts, site: str, path: str) -> bool:
        """Enter one recording of a site, and where a copy lies; True if it was new.

        Raises:
            CatalogueError: the database refused; nothing of it is entered.
        """
        with told(self._where), self._engine.begin() as connection:
            _put(connection, schema.site, name=site)
            self._put_box(connection, facts)
            is_new = _put(connection, schema.recording, **_recording_row(facts, site))
            _put(connection, schema.place, sha256=facts.sha256, path=path)
            for calibration in facts.calibrations:
                _put(connection, schema.calibration, **_calibration_row(calibration))
                _put(
                    connection,
                    schema.used_calibration,
                    sha256=facts.sha256,
                    calibration_id=calibration.calibration_id,
                )
        return is_new

    def add_result(
        self,
        sha256: str,
        analysis: str,
        content: Mapping[str, Any],
        analysis_version: str = __version__,
    ) -> bool:
        """Enter what an analysis found in a recording; True if it was new.

        The same analysis may give several results (with another calibration, say):
        each is kept, by the hash of its content.

        Raises:
            CatalogueError: the recording is not in the catalogue, or the database refused.
        """
        text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
        with told(self._where), self._engine.begin() as connection:
            known = select(schema.recording.c.sha256).where(schema.recording.c.sha256 == sha256)
            if connection.scalar(known) is None:
                raise CatalogueError(
                    f"No recording with the hash {sha256[:12]}... is in the catalogue.",
                    "Enter the recording first.",
                )
            return _put(
                connection,
                schema.result,
                sha256=sha256,
                analysis=analysis,
                analysis_version=analysis_version,
                content_sha256=hashlib.sha256(text.encode("ascii")).hexdigest(),
                content=dict(content),
            )

    def recordings(self, wanted: Wanted | None = None) -> list[dict[str, Any]]:
        """Recordings in order of time, with ``paths`` (where copies lie) and ``results_total``.

        Raises:
            CatalogueError: the database refused.
        """
        table, results = schema.recording, schema.result
        counted = select(func.count()).where(results.c.sha256 == table.c.sha256).scalar_subquery()
        query = select(table, counted.label("results_total")).order_by(table.c.started)
        with told(self._where), self._engine.connect() as connection:
            found = connection.execute(_narrowed(query, wanted or Wanted())).mappings()
            rows = [dict(row) for row in found]
            paths = _by_key(connection, schema.place, "path")
        for row in rows:
            row["paths"] = paths.get(row["sha256"], [])
        return rows

    def results(self, sha256: str) -> list[dict[str, Any]]:
        """Results of one recording.  Raises CatalogueError."""
        table = schema.result
        query = select(table).where(table.c.sha256 == sha256).order_by(table.c.analysis)
        with told(self._where), self._engine.connect() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def rows(self, table: str) -> list[dict[str, Any]]:
        """Every row of one of the catalogue's tables, by its name without ``catalogue_``."""
        with told(self._where), self._engine.connect() as connection:
            found = connection.execute(select(schema.METADATA.tables[f"catalogue_{table}"]))
            return [dict(row) for row in found.mappings()]

    def _put_box(self, connection: Connection, facts: RecordingFacts) -> None:
        table, seen = schema.box, facts.started
        _put(
            connection,
            table,
            box_id=facts.origin.box_id,
            name=facts.origin.box_name,
            firmware_version=facts.origin.firmware_version,
            first_seen=seen,
            last_seen=seen,
        )
        own = table.c.box_id == facts.origin.box_id
        earlier = update(table).where(own, table.c.first_seen > seen).values(first_seen=seen)
        later = update(table).where(own, table.c.last_seen < seen)
        connection.execute(earlier)
        connection.execute(
            later.values(
                last_seen=seen,
                name=facts.origin.box_name,
                firmware_version=facts.origin.firmware_version,
            )
        )


def _put(connection: Connection, table: Table, **values: Any) -> bool:
    """Insert a row unless its key is there already; True if it was inserted."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = dialect.insert(table).values(**values).on_conflict_do_nothing()
    # Not by counting rows, which not every driver does: what was inserted comes back.
    key = next(iter(table.primary_key.columns))
    return connection.execute(statement.returning(key)).first() is not None


def _recording_row(facts: RecordingFacts, site: str) -> dict[str, Any]:
    report, found = facts.report, facts.origin
    return {
        "sha256": facts.sha256,
        "recording_id": found.recording_id,
        "site": site,
        "box_id": found.box_id,
        "machine": found.machine,
        "client_code": found.client_code,
        "started": facts.started,
        "duration_seconds": facts.duration_seconds,
        "samples_total": facts.samples_total,
        "missing_total": report.missing_total,
        "size_bytes": report.size_bytes,
        "verdict": str(report.verdict),
        "findings": [finding.code for finding in report.findings],
    }


def _calibration_row(calibration: AnyCalibration) -> dict[str, Any]:
    binding = calibration.binding
    return {
        "calibration_id": calibration.calibration_id,
        "box_id": binding.box_id,
        "channel": binding.channel,
        "sensor_serial": binding.sensor_serial,
        "quantity": type(calibration).__name__.removesuffix("Calibration").lower(),
        "due_on": calibration.due_on,
        "sealed_json": calibration.to_json(),
    }


def _narrowed(query: Select[Any], wanted: Wanted) -> Select[Any]:
    columns = schema.recording.c
    for name in ("site", "box_id", "machine", "client_code", "verdict"):
        value = getattr(wanted, name)
        if value:
            query = query.where(columns[name] == value)
    if wanted.first_day is not None:
        query = query.where(columns.started >= _midnight(wanted.first_day))
    if wanted.last_day is not None:
        query = query.where(columns.started < _midnight(wanted.last_day + timedelta(days=1)))
    return query


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), UTC)


def _by_key(connection: Connection, table: Table, column: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for sha256, value in connection.execute(select(table.c.sha256, table.c[column])):
        found.setdefault(sha256, []).append(value)
    return found


def recording_paths(folders: Sequence[Path]) -> list[Path]:
    """Recordings among these files and in these folders, subfolders included, in order.

    Raises:
        CatalogueError: one does not exist.
    """
    found: list[Path] = []
    for folder in folders:
        if folder.is_dir():
            found += sorted(folder.rglob("*.steelyard"))
        elif folder.exists():
            found.append(folder)
        else:
            raise CatalogueError(f"There is no file or folder {folder}.", "Check the name.")
    return found
