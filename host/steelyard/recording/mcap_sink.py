"""MCAP, an open container for messages with time stamps, by way of its own library.

One file for all tables: a topic each, rows as JSON with a JSON Schema that names
units, the recording's documents (calibrations, machine profiles) as attachments.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from steelyard import __version__
from steelyard.errors import ExportError
from steelyard.recording.csv_sink import texts
from steelyard.recording.documents import Document
from steelyard.recording.export_columns import ExportColumn

_JSON_TYPES: Final = {"b": "boolean", "f": "number", "i": "integer", "u": "integer"}


class McapSink:
    """Writes every table of one recording into one file."""

    suffix = ".mcap"

    def __init__(
        self, path: Path, metadata: Mapping[str, str], documents: Sequence[Document] = ()
    ) -> None:
        """Begin the file.

        Raises:
            ExportError: mcap is not installed.
        """
        writer_type = _import_writer()
        self._channels: dict[str, int] = {}
        self._rows_total: dict[str, int] = {}
        self._file = path.open("wb")
        self._writer = writer_type(self._file)
        self._writer.start(profile="", library=f"steelyard {__version__}")
        self._writer.add_metadata("steelyard", dict(metadata))
        for number, document in enumerate(documents):
            self._writer.add_attachment(
                create_time=0,
                log_time=0,
                name=f"document-{number}-kind-{document.kind}",
                media_type="text/plain; charset=utf-8",
                data=document.text.encode(),
            )

    def begin(self, table: str, columns: list[ExportColumn]) -> None:
        """Describe one table; ``columns`` may be empty of rows."""
        schema = {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "type": "object",
            "properties": {column.name: _property(column) for column in columns},
        }
        schema_id = self._writer.register_schema(
            f"steelyard.{table}", "jsonschema", json.dumps(schema).encode()
        )
        self._channels[table] = self._writer.register_channel(f"/{table}", "json", schema_id)
        self._rows_total[table] = 0

    def write(self, table: str, columns: list[ExportColumn]) -> None:
        """Append rows, logged at their host time, or at device time where there is none."""
        names = [column.name for column in columns]
        values = [_plain(column) for column in columns]
        number = self._rows_total[table]
        channel = self._channels[table]
        times = _log_times_ns(columns)
        for time_ns, row in zip(times, zip(*values, strict=True), strict=True):
            data = json.dumps(dict(zip(names, row, strict=True))).encode()
            self._writer.add_message(channel, time_ns, data, time_ns, number & 0xFFFFFFFF)
            number += 1
        self._rows_total[table] = number

    def close(self) -> None:
        """End the file; without this it has no index."""
        try:
            self._writer.finish()
        finally:
            self._file.close()


def _property(column: ExportColumn) -> dict[str, Any]:
    kind = _JSON_TYPES.get(column.values.dtype.kind, "string")
    result: dict[str, Any] = {"type": [kind, "null"] if column.missing is not None else kind}
    if column.values.dtype.kind == "M":
        result["format"] = "date-time"
    elif column.unit:
        result["description"] = f"unit: {column.unit}"
    return result


def _plain(column: ExportColumn) -> list[Any]:
    """Python values that JSON knows; None where one is missing."""
    if column.values.dtype.kind == "M":
        return [text or None for text in texts(column)]
    values: list[Any] = column.values.tolist()
    if column.missing is not None:
        for index in np.flatnonzero(column.missing).tolist():
            values[index] = None
    return values


def _log_times_ns(columns: list[ExportColumn]) -> list[int]:
    by_name = {column.name: column for column in columns}
    host, device = by_name["host_time_utc"], by_name["device_time_us"]
    device_ns = np.maximum(device.values, 0) * 1000
    host_ns = host.values.view(np.int64)
    missing = np.zeros(len(host_ns), np.bool_) if host.missing is None else host.missing
    times: list[int] = np.where(missing, device_ns, host_ns).tolist()
    return times


def _import_writer() -> Any:
    try:
        from mcap.writer import Writer
    except ImportError as error:
        raise ExportError(
            "MCAP files need the package mcap, which is not installed.",
            "Install it with: pip install 'steelyard[export]'. Or export CSV.",
        ) from error
    return Writer
