"""Where records are kept: a folder with an SQLite file, or a PostgreSQL server."""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from steelyard.errors import MissingExtraError, PlaceError

ENVIRONMENT: Final = "STEELYARD_RECORDS"
FILE_NAME: Final = "practice.records"


@dataclass(frozen=True)
class Place:
    """``url`` for SQLAlchemy; ``file`` is the database of SQLite, None on a server."""

    url: URL
    file: Path | None

    @property
    def text(self) -> str:
        """For a person, without a password."""
        return str(self.file) if self.file else self.url.render_as_string(hide_password=True)

    @property
    def backup_folder(self) -> Path | None:
        """Where copies are kept; None on a server, which has its own ways."""
        return self.file.parent / "copies" if self.file else None


def find_place(given: str | Path | None = None) -> Place:
    """From what was given, else from STEELYARD_RECORDS, else the user's own data folder.

    Raises PlaceError for what is neither a folder nor a PostgreSQL URL.
    """
    text = str(given or os.environ.get(ENVIRONMENT, "")).strip()
    if not text:
        return _in_folder(_own_folder())
    if "://" in text:
        return _on_server(text)
    return _in_folder(Path(text).expanduser())


def _own_folder() -> Path:
    try:
        from platformdirs import user_data_path
    except ImportError as error:
        raise MissingExtraError(
            "Finding the folder for records needs the library platformdirs.",
            "Install it with: pip install 'steelyard[store]'; or give a folder.",
        ) from error
    return user_data_path("steelyard", appauthor=False)


def _in_folder(folder: Path) -> Place:
    folder = folder.absolute()
    if folder.exists() and not folder.is_dir():
        raise PlaceError(f"{folder} is a file.", "Give the folder in which records are kept.")
    file = folder / FILE_NAME
    return Place(URL.create("sqlite+pysqlite", database=str(file)), file)


def _on_server(text: str) -> Place:
    # The text may hold a password: it never gets into a message.
    try:
        url = make_url(text)
    except ArgumentError as error:
        raise PlaceError(
            "The address of the server for records cannot be understood.",
            "It looks like postgresql://user@host/database.",
        ) from error
    if url.drivername not in ("postgresql", "postgresql+psycopg"):
        raise PlaceError(
            f"Records cannot be kept in “{url.drivername}”.",
            "Give a folder (SQLite), or postgresql://user@host/database.",
        )
    return Place(url.set(drivername="postgresql+psycopg"), None)


def prepare_folder(file: Path) -> None:
    """Make folder and file, for this user's eyes only.  Raises PlaceError."""
    try:
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with contextlib.suppress(FileExistsError):
            os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    except OSError as error:
        raise PlaceError(
            f"The folder for records {file.parent} cannot be used: {error.strerror or error}.",
            "Check it, or give another one: --records or STEELYARD_RECORDS.",
        ) from error
