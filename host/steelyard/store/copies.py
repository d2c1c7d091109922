"""Copies of an SQLite database: once a day, checked, kept for some days, and put back.

A copy is made by SQLite's own backup, so it is whole however many others write
meanwhile; it appears under its name only after its integrity check.  Copies lie
in a folder beside the database: on the same disk they help against mistakes, not
against the loss of the disk.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from steelyard.errors import NotKeptError, StoreDamagedError, StoreDiskError, StoreError
from steelyard.store.database import BUSY_SECONDS, Database, plain_errors
from steelyard.store.place import Place

SUFFIX: Final = ".records-copy"
_NAME: Final = re.compile(r"(\d{4}-\d\d-\d\d)(T\d{6})?(-[a-z0-9-]+)?" + re.escape(SUFFIX))


@dataclass(frozen=True)
class Copy:
    """A copy on disk; ``day`` it was made on (UTC) as in 2026-05-01."""

    path: Path
    day: str
    size_bytes: int


class Copies:
    """Copies of one database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def make(self, label: str = "by-hand") -> Copy:
        """A copy now.  Raises StoreDiskError, StoreDamagedError; StoreError on a server."""
        return self._make(f"{self._database.now():%Y-%m-%dT%H%M%S}-{label}")

    def make_daily(self, keep_days: int) -> Copy | None:
        """Today's copy unless there is one; then those older than ``keep_days`` go.

        The newest is always kept.  None when there was nothing to do.
        """
        if self._database.place.file is None:
            return None
        today = f"{self._database.now():%Y-%m-%d}"
        if any(one.day == today for one in self.list()):
            return None
        made = self._make(today)
        oldest = f"{self._database.now() - timedelta(days=keep_days):%Y-%m-%d}"
        for one in self.list():
            if one.day < oldest:
                one.path.unlink(missing_ok=True)
        yesterday = self._database.now().timestamp() - 86_400.0
        for path in self.leftovers():
            if path.suffix == ".part" and path.stat().st_mtime < yesterday:
                path.unlink(missing_ok=True)
        return made

    def list(self) -> list[Copy]:
        """All copies, newest first; none on a server."""
        folder = self._database.place.backup_folder
        return [] if folder is None else list_copies(folder)

    def leftovers(self) -> Sequence[Path]:
        """Halves of copies that a killed program left, and damaged files put aside."""
        folder = self._database.place.backup_folder
        if folder is None or not folder.is_dir():
            return []
        return [path for path in folder.iterdir() if path.suffix in (".part", ".damaged")]

    def _make(self, name: str) -> Copy:
        place = self._database.place
        if place.file is None or place.backup_folder is None:
            raise StoreError(
                f"{place.text} is a server: it has its own copies.",
                "Use pg_dump every day; pg_restore puts one back.",
            )
        path = _free(place.backup_folder / f"{name}{SUFFIX}")
        with disk_errors(place, path):
            path.parent.mkdir(mode=0o700, exist_ok=True)
            copy_database(place.file, path)
            return _copy(path)


def list_copies(folder: Path) -> list[Copy]:
    """Copies in a folder, newest first."""
    if not folder.is_dir():
        return []
    found = [path for path in folder.iterdir() if _NAME.fullmatch(path.name)]
    return [_copy(path) for path in sorted(found, reverse=True)]


def _free(path: Path) -> Path:
    """The same, or with a number where two copies fall into one second."""
    found, number = path, 1
    while found.exists():
        number += 1
        found = path.with_name(f"{path.name.removesuffix(SUFFIX)}-{number}{SUFFIX}")
    return found


def _copy(path: Path) -> Copy:
    return Copy(path, path.name[:10], path.stat().st_size)


@contextmanager
def disk_errors(place: Place, path: Path) -> Iterator[None]:
    """Errors of system and database while a copy is written, in plain words."""
    try:
        with plain_errors(place):
            yield
    except OSError as error:
        raise StoreDiskError(
            f"The copy {path} could not be made: {error.strerror or error}.",
            "Free some space, or check the folder; the records themselves are unharmed.",
        ) from error


def copy_database(source: Path, target: Path) -> None:
    """Copy and check; ``target`` appears whole or not at all.  Raises OSError, sqlite3.Error."""
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        os.close(os.open(part, os.O_CREAT | os.O_TRUNC | os.O_RDWR, 0o600))
        with connected(source) as here, connected(part) as there:
            here.backup(there)
            there.execute("PRAGMA journal_mode=DELETE")
        require_sound(part)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def connected(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection of its own, closed at the end."""
    with contextlib.closing(
        sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None)
    ) as connection:
        yield connection


def require_sound(path: Path) -> None:
    """SQLite's own check of a whole file.  Raises StoreDamagedError."""
    with connected(path) as connection:
        found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(3)")]
        orphans = connection.execute("PRAGMA foreign_key_check").fetchone()
    if found != ["ok"] or orphans is not None:
        raise StoreDamagedError(
            f"{path} is damaged: {'; '.join(found) if found != ['ok'] else 'rows without owner'}.",
            "Use another copy: steelyard records restore.",
        )


def restore_copy(place: Place, copy: Path, now: datetime | None = None) -> Path | None:
    """Put a copy in place of the database; what was there is kept aside, and its path returned.

    Works while other programs have the records open: they see the old state or the new one.
    Raises NotKeptError, StoreDamagedError (then nothing was changed), StoreDiskError.
    """
    if place.file is None or place.backup_folder is None:
        raise StoreError(f"{place.text} is a server.", "Use pg_restore on it.")
    if not copy.is_file():
        raise NotKeptError(f"There is no copy {copy}.", "See: steelyard records check.")
    name = f"{now or datetime.now(UTC):%Y-%m-%dT%H%M%S}-replaced{SUFFIX}"
    aside = _free(place.backup_folder / name)
    with disk_errors(place, aside):
        require_sound(copy)
        aside.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        kept = _set_aside(place.file, aside)
        with connected(copy) as here, connected(place.file) as there:
            here.backup(there)
        place.file.chmod(0o600)
        require_sound(place.file)
    return kept


def _set_aside(file: Path, aside: Path) -> Path | None:
    """Copy what is in use; move it away where it is too damaged for that."""
    if not file.exists():
        return None
    try:
        copy_database(file, aside)
        return aside
    except (sqlite3.DatabaseError, StoreDamagedError) as error:
        if isinstance(error, sqlite3.OperationalError):
            raise
    damaged = aside.with_name(aside.name.removesuffix(SUFFIX) + ".damaged")
    shutil.move(file, damaged)
    for ending in ("-wal", "-shm"):
        file.with_name(file.name + ending).unlink(missing_ok=True)
    return damaged
