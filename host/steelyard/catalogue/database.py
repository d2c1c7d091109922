"""Opens the catalogue's database: a file for one laptop, PostgreSQL for a chain."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event, insert, inspect, make_url, select
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from steelyard.catalogue.schema import METADATA, VERSION, version
from steelyard.errors import CatalogueError

_URL_ADVICE = (
    "Give a file (catalogue.sqlite), or postgresql+psycopg://USER@HOST/DATABASE; the password"
    " belongs into ~/.pgpass or PGPASSWORD."
)


def open_database(where: str) -> Engine:
    """Open a database by URL, or SQLite in a file; missing tables are made.

    Raises:
        CatalogueError: it cannot be opened, or is of another version.
    """
    with told(where):
        engine = _engine(where)
        try:
            _prepare(engine)
        except BaseException:
            engine.dispose()
            raise
    return engine


@contextlib.contextmanager
def told(where: str) -> Iterator[None]:
    """Turn whatever the database says into a CatalogueError."""
    try:
        yield
    except (ArgumentError, NoSuchModuleError, ImportError) as error:
        raise CatalogueError(f"{_shown(where)} is no database: {error}.", _URL_ADVICE) from error
    except DBAPIError as error:
        reason = str(error.orig).strip().splitlines()[0] if error.orig else str(error)
        raise CatalogueError(
            f"The catalogue {_shown(where)} refused: {reason}.",
            ("Is the server running, may" if "://" in where else "May")
            + " this user write there, is the disk full? Entering can be repeated without harm.",
        ) from error
    except SQLAlchemyError as error:
        raise CatalogueError(f"The catalogue {_shown(where)} refused: {error}.") from error


def _engine(where: str) -> Engine:
    if "://" in where:
        return create_engine(where, pool_pre_ping=True)
    engine = create_engine(f"sqlite:///{Path(where)}")

    @event.listens_for(engine, "connect")
    def _strict(connection: Any, _: Any) -> None:
        # Wait for another program's turn instead of failing, and keep references whole.
        connection.execute("PRAGMA busy_timeout = 10000")
        connection.execute("PRAGMA foreign_keys = ON")

    return engine


def _prepare(engine: Engine) -> None:
    METADATA.create_all(engine)
    with engine.begin() as connection:
        found = connection.scalar(select(version.c.version))
        if found is None:
            connection.execute(insert(version).values(version=VERSION))
        elif found != VERSION:
            raise CatalogueError(
                f"The catalogue is of version {found}; this program knows version {VERSION}.",
                "Use the program it belongs to, or make a new catalogue from the files.",
            )


def table_names(engine: Engine) -> list[str]:
    """Tables of the catalogue that exist there."""
    return [name for name in inspect(engine).get_table_names() if name in METADATA.tables]


def _shown(where: str) -> str:
    """Without the password, if there is one in it."""
    if "://" not in where:
        return where
    try:
        return make_url(where).render_as_string(hide_password=True)
    except ArgumentError:
        return "of that address"
