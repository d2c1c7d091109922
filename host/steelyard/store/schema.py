"""Bringing a database to the schema of this version, when it is opened."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, inspect, text

from steelyard.errors import MissingExtraError, StoreVersionError
from steelyard.store.database import WRITES, Database, plain_errors
from steelyard.store.tables import Table

HEAD: Final = "0001"
"""The newest migration; a test holds it against the folder."""
VERSION_TABLE: Final = "steelyard_version"
SCRIPTS: Final = Path(__file__).with_name("migrations")
_LOCK: Final = 0x57EE17A2D
"""Any number, the same in every version: PostgreSQL's lock for migrating."""


def prepare_schema(database: Database, copy_first: Callable[[str], object]) -> bool:
    """Create or upgrade the tables; ``copy_first(label)`` is called before an upgrade.

    Gives whether there were none before.

    Raises StoreVersionError for a schema of a newer version or of another
    program; nothing is changed then.
    """
    with plain_errors(database.place), database.engine.connect() as connection:
        found = _revision(connection)
    if found == HEAD:
        return False
    _require_alembic()
    if found is not None:
        _require_known(found)
        copy_first(f"before-schema-{HEAD}")
    engine = database.engine.execution_options(**{WRITES: True})
    with plain_errors(database.place), engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
        if _revision(connection) != HEAD:  # another process may have been first
            _upgrade(connection)
    return found is None


def require_current(database: Database) -> None:
    """Refuse a database whose schema is not that of this version.  Raises StoreVersionError."""
    with plain_errors(database.place), database.engine.connect() as connection:
        found = _revision(connection)
    if found != HEAD:
        raise StoreVersionError(f"Its schema is {found}, not {HEAD}.", "")


def _revision(connection: Connection) -> str | None:
    tables = set(inspect(connection).get_table_names())
    if VERSION_TABLE in tables:
        found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()
        return None if found is None else str(found)
    strange = sorted(tables & set(Table.metadata.tables))
    if strange:
        raise StoreVersionError(
            f"The database has tables of the same names from another program: "
            f"{', '.join(strange)}.",
            "Keep records in a database of their own.",
        )
    return None


def _require_alembic() -> None:
    try:
        import alembic  # noqa: F401 -- here and not when half the work is done
    except ImportError as error:
        raise MissingExtraError(
            "Making or upgrading records needs the library alembic, which is not installed.",
            "Install it with: pip install 'steelyard[store]'.",
        ) from error


def _require_known(revision: str) -> None:
    from alembic.script import ScriptDirectory

    known = {script.revision for script in ScriptDirectory(str(SCRIPTS)).walk_revisions()}
    if revision not in known:
        raise StoreVersionError(
            f"The records have schema {revision}; this version knows {HEAD} and older.",
            "Install the newest version of Steelyard on this computer too. Nothing was changed.",
        )


def _upgrade(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
