"""Apache Parquet by way of pyarrow, an optional part of the installation."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from steelyard.errors import ExportError
from steelyard.recording.export_columns import ExportColumn

if TYPE_CHECKING:
    import pyarrow


class ParquetSink:
    """Writes one table.  Units stand beside each column, the rest beside the schema."""

    suffix = ".parquet"

    def __init__(self, path: Path, metadata: Mapping[str, str]) -> None:
        """Note where to write; the file is made when its columns are known.

        Raises:
            ExportError: pyarrow is not installed.
        """
        self._arrow, self._parquet = _import_pyarrow()
        self._path = path
        self._metadata = dict(metadata)
        self._writer: Any = None

    def begin(self, table: str, columns: list[ExportColumn]) -> None:
        """Make the file; ``columns`` may be empty of rows, their types count."""
        fields = [
            self._arrow.field(
                column.name,
                self._array(column).type,
                metadata={"unit": column.unit} if column.unit else None,
            )
            for column in columns
        ]
        self._schema = self._arrow.schema(fields, metadata={**self._metadata, "table": table})
        self._writer = self._parquet.ParquetWriter(self._path, self._schema, compression="zstd")

    def write(self, table: str, columns: list[ExportColumn]) -> None:
        """Append rows as one row group."""
        arrays = [self._array(column) for column in columns]
        self._writer.write_table(self._arrow.Table.from_arrays(arrays, schema=self._schema))

    def close(self) -> None:
        """End the file; without this it cannot be read."""
        if self._writer is not None:
            self._writer.close()

    def _array(self, column: ExportColumn) -> pyarrow.Array:
        arrow_type = None
        if column.values.dtype.kind == "M":
            arrow_type = self._arrow.timestamp("ns", tz="UTC")
        elif column.values.dtype.kind == "O":
            arrow_type = self._arrow.string()
        return self._arrow.array(column.values, type=arrow_type, mask=column.missing)


def _import_pyarrow() -> tuple[Any, Any]:
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError as error:
        raise ExportError(
            "Parquet files need pyarrow, which is not installed.",
            "Install it with: pip install 'steelyard[export]'. Or export CSV.",
        ) from error
    return arrow, parquet
