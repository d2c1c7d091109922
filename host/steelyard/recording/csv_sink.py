"""CSV (RFC 4180 with ``#`` lines before the header), units in the names.

Decimal points and commas between fields; or, for programs set to a country that
writes decimals with a comma, decimal commas and semicolons.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from steelyard.recording.export_columns import ExportColumn


@dataclass(frozen=True)
class CsvDialect:
    """What stands between fields and in front of decimals."""

    separator: str
    decimal: str


POINTS: Final = CsvDialect(",", ".")
COMMAS: Final = CsvDialect(";", ",")


class CsvSink:
    """Writes one table.  A missing value is an empty field."""

    suffix = ".csv"

    def __init__(
        self, path: Path, metadata: Mapping[str, str], dialect: CsvDialect = POINTS
    ) -> None:
        """Begin the file."""
        self._dialect = dialect
        self._file = path.open("w", encoding="utf-8", newline="\n")
        for key, value in metadata.items():
            self._file.write(f"# {key}: {' '.join(value.split())}\n")

    def begin(self, table: str, columns: list[ExportColumn]) -> None:
        """Write the header; ``columns`` may be empty of rows."""
        self._file.write(f"# table: {table}\n")
        self._file.write(self._dialect.separator.join(column.name for column in columns) + "\n")

    def write(self, table: str, columns: list[ExportColumn]) -> None:
        """Append rows."""
        fields = [texts(column, self._dialect.decimal) for column in columns]
        join = self._dialect.separator.join
        self._file.writelines(join(row) + "\n" for row in zip(*fields, strict=True))

    def close(self) -> None:
        """End the file."""
        self._file.close()


def texts(column: ExportColumn, decimal: str = ".") -> list[str]:
    """Every value as text; a missing one as an empty text."""
    values = column.values
    result: list[Any]
    if values.dtype.kind == "M":
        result = np.datetime_as_string(values, unit="ns", timezone="UTC").tolist()
    elif values.dtype.kind == "b":
        result = ["1" if value else "0" for value in values.tolist()]
    else:
        # Python's shortest text that reads back to the very same number.
        result = [str(value) for value in values.tolist()]
        if decimal != "." and values.dtype.kind == "f":
            result = [text.replace(".", decimal) for text in result]
    if column.missing is not None:
        for index in np.flatnonzero(column.missing).tolist():
            result[index] = ""
    return result
