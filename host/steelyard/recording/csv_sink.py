"""CSV (RFC 4180 with ``#`` lines before the header): decimal points, units in the names."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from steelyard.recording.export_columns import ExportColumn


class CsvSink:
    """Writes one table.  A missing value is an empty field."""

    suffix = ".csv"

    def __init__(
        self, path: Path, columns: list[ExportColumn], metadata: Mapping[str, str]
    ) -> None:
        """Begin the file; ``columns`` may be empty of rows."""
        self._file = path.open("w", encoding="utf-8", newline="\n")
        for key, value in metadata.items():
            self._file.write(f"# {key}: {' '.join(value.split())}\n")
        self._file.write(",".join(column.name for column in columns) + "\n")

    def write(self, columns: list[ExportColumn]) -> None:
        """Append rows."""
        fields = [_texts(column) for column in columns]
        self._file.writelines(",".join(row) + "\n" for row in zip(*fields, strict=True))

    def close(self) -> None:
        """End the file."""
        self._file.close()


def _texts(column: ExportColumn) -> list[str]:
    values = column.values
    texts: list[Any]
    if values.dtype.kind == "M":
        texts = np.datetime_as_string(values, unit="ns", timezone="UTC").tolist()
    elif values.dtype.kind == "b":
        texts = ["1" if value else "0" for value in values.tolist()]
    else:
        # Python's shortest text that reads back to the very same number.
        texts = [str(value) for value in values.tolist()]
    if column.missing is not None:
        for index in np.flatnonzero(column.missing).tolist():
            texts[index] = ""
    return texts
