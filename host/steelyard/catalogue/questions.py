"""SQL over the catalogue and the columns of an archive, by DuckDB and without a server.

Tables: ``recording``, ``result``, ``box``, ``calibration`` from the catalogue;
``load``, ``angle``, ``status``, ``events`` from the archive's Parquet files, each
row with ``site``, ``box``, ``day`` and ``recording`` (the first 12 letters of the
hash; ``recording.short`` is the same).  Nothing is copied: DuckDB reads the
columns that a question needs, of the files that it needs.
"""

from __future__ import annotations

import json
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from steelyard.catalogue.archive import SHORT_HASH_LETTERS, column_files
from steelyard.catalogue.catalogue import Catalogue
from steelyard.errors import CatalogueError, MissingExtraError

if TYPE_CHECKING:
    import duckdb

COLUMN_TABLES: Final = ("load", "angle", "status", "events")
CATALOGUE_TABLES: Final = ("recording", "result", "box", "calibration", "place")


class Questions(AbstractContextManager["Questions"]):
    """An open set of tables to ask; use it in a ``with`` block."""

    def __init__(self, catalogue: Catalogue, archive: Path | None = None) -> None:
        """``archive``: the shared folder; a path that DuckDB understands.

        Raises:
            MissingExtraError: DuckDB is not installed.
            CatalogueError: the catalogue refused.
        """
        self._duckdb = _import_duckdb()
        self._connection: duckdb.DuckDBPyConnection = self._duckdb.connect()
        for name in CATALOGUE_TABLES:
            self._add_catalogue_table(name, catalogue.rows(name))
        if archive is not None:
            for name in COLUMN_TABLES:
                self._add_columns(name, archive)

    def __exit__(self, *exception: object) -> None:
        """Close DuckDB's own connection; the catalogue stays open."""
        self._connection.close()

    def ask(self, sql: str) -> tuple[list[str], list[tuple[Any, ...]]]:
        """Names and rows of the answer.

        Raises:
            CatalogueError: the question cannot be answered; says what DuckDB says.
        """
        try:
            answer = self._connection.execute(sql)
            names = [str(item[0]) for item in answer.description or []]
            return names, answer.fetchall()
        except self._duckdb.Error as error:
            raise CatalogueError(
                f"DuckDB cannot answer that: {str(error).strip()}",
                "Tables: " + ", ".join((*CATALOGUE_TABLES, *COLUMN_TABLES)) + ".",
            ) from error

    def _add_catalogue_table(self, name: str, rows: list[dict[str, Any]]) -> None:
        import pyarrow

        from steelyard.catalogue.schema import METADATA

        columns = METADATA.tables[f"catalogue_{name}"].columns
        arrow = pyarrow.schema([(column.name, _arrow_type(column.type)) for column in columns])
        plain = [{key: _plain(value) for key, value in row.items()} for row in rows]
        held = pyarrow.Table.from_pylist(plain, arrow)
        self._connection.register(f"_{name}", held)
        short = f", substr(sha256, 1, {SHORT_HASH_LETTERS}) AS short" if "sha256" in columns else ""
        self._connection.execute(f"CREATE VIEW {name} AS SELECT *{short} FROM _{name}")

    def _add_columns(self, name: str, archive: Path) -> None:
        if next(column_files(archive, name), None) is None:
            return
        pattern = str(archive / "columns" / "**" / f"*-{name}.parquet").replace("'", "''")
        self._connection.execute(
            f"CREATE VIEW {name} AS SELECT * EXCLUDE (filename),"
            f" regexp_extract(filename, '([0-9a-f]{{12}})-{name}', 1) AS recording"
            f" FROM read_parquet('{pattern}', hive_partitioning = true,"
            " union_by_name = true, filename = true)"
        )


def _arrow_type(kind: Any) -> Any:
    """The Arrow type of a column; texts and JSON are texts."""
    import pyarrow
    from sqlalchemy import Date, Float, Integer

    from steelyard.catalogue.schema import UtcTime

    known = (
        (UtcTime, pyarrow.timestamp("us", "UTC")),
        (Integer, pyarrow.int64()),
        (Float, pyarrow.float64()),
        (Date, pyarrow.date32()),
    )
    return next((found for python, found in known if isinstance(kind, python)), pyarrow.string())


def _plain(value: Any) -> Any:
    return json.dumps(value) if isinstance(value, (dict, list)) else value


def _import_duckdb() -> Any:
    try:
        import duckdb
        import pyarrow  # noqa: F401 - hands the catalogue's rows over
    except ImportError as error:
        raise MissingExtraError(
            f"Questions need a library that is not installed ({error.name}).",
            "pip install 'steelyard[catalogue]'",
        ) from error
    return duckdb
