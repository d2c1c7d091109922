"""Writes a recording as CSV, Parquet or MCAP, table by table, in constant memory."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final, Protocol

from steelyard_protocol import codec
from steelyard_protocol.bulk import Batch, join_tables
from steelyard_protocol.records import ChannelKind, SensorKind

from steelyard.errors import ExportError
from steelyard.recording.contents import Contents, Timeline, origin
from steelyard.recording.csv_sink import COMMAS, POINTS, CsvSink
from steelyard.recording.documents import Document
from steelyard.recording.export_columns import (
    EXPORT_TABLES,
    ExportColumn,
    ExportContext,
    ExportTable,
    ForceScale,
)
from steelyard.recording.export_error import export_error
from steelyard.recording.mcap_sink import McapSink
from steelyard.recording.parquet_sink import ParquetSink
from steelyard.recording.reader import readable_header
from steelyard.recording.rows import name_of
from steelyard.recording.scan import Progress, RecordingScan
from steelyard.recording.validation_report import utc_text

EXPORT_SCHEMA: Final = "1"
"""Raised when a column changes its name, unit or meaning; new columns do not count."""


class ExportFormat(StrEnum):
    """What a recording can be written as."""

    CSV = "csv"
    CSV_COMMA = "csv-comma"
    """Decimal commas and semicolons, for programs set to a country that writes so."""
    PARQUET = "parquet"
    MCAP = "mcap"
    """One file for all tables."""


@dataclass(frozen=True)
class ExportedFile:
    """One table that was written, and into which file."""

    table: str
    path: Path
    rows_total: int


class _Sink(Protocol):
    def begin(self, table: str, columns: list[ExportColumn]) -> None: ...

    def write(self, table: str, columns: list[ExportColumn]) -> None: ...

    def close(self) -> None: ...


def export_recording(
    source: Path,
    target: Path,
    export_format: ExportFormat = ExportFormat.CSV,
    *,
    forces: Mapping[int, ForceScale] | None = None,
    force: bool = False,
    progress: Progress | None = None,
) -> list[ExportedFile]:
    """Write ``<target>-load``, ``-angle``, ``-status`` and ``-events`` with the format's suffix.

    MCAP holds all four in one file, ``<target>.mcap``.

    Args:
        source: the recording.
        target: folder and beginning of the file names.
        export_format: what to write.
        forces: calibration by load channel; adds columns of force in newtons with
            their standard uncertainty.  Raw counts are always there.
        force: overwrite files that exist.
        progress: called with bytes done and bytes in all; the file is read twice.

    Raises:
        ExportError: a file exists, cannot be written, or a package is missing.
        RecordingStorageError: the recording cannot be read.
        RecordingFormatError: it is no recording, or of a version not known here.
    """
    steps = _TwoPasses(progress)
    contents = Contents()
    for batch in RecordingScan(source, steps.first):
        contents.add(batch)
    readable_header(source, contents)
    context = ExportContext(Timeline(contents), forces or {})
    metadata = _metadata(source, contents, context)
    documents = contents.documents().documents()
    with _outputs(target, export_format, force) as outputs:
        for output in outputs:
            output.begin(context, lambda path: _new_sink(export_format, path, metadata, documents))
        for batch in RecordingScan(source, steps.second):
            for output in outputs:
                output.add(batch, context)
    return [
        ExportedFile(name, output.path, rows_total)
        for output in outputs
        for name, rows_total in output.rows_total.items()
    ]


def _new_sink(
    export_format: ExportFormat,
    path: Path,
    metadata: Mapping[str, str],
    documents: Sequence[Document],
) -> _Sink:
    match export_format:
        case ExportFormat.CSV:
            return CsvSink(path, metadata, POINTS)
        case ExportFormat.CSV_COMMA:
            return CsvSink(path, metadata, COMMAS)
        case ExportFormat.PARQUET:
            return ParquetSink(path, metadata)
        case ExportFormat.MCAP:
            return McapSink(path, metadata, documents)


class _Output:
    """One file in the making, under a temporary name until it is whole."""

    def __init__(self, path: Path, tables: Sequence[ExportTable]):
        self.path = path
        self.temporary = path.with_name(f".{path.name}.part")
        self.rows_total = {table.name: 0 for table in tables}
        self._tables = tables
        self._sink: _Sink | None = None

    def begin(self, context: ExportContext, new_sink: Callable[[Path], _Sink]) -> None:
        """Make the file with the headers of its tables."""
        self._sink = new_sink(self.temporary)
        for table in self._tables:
            self._sink.begin(table.name, table.columns(join_tables(table.message, []), context))

    def add(self, batch: Batch, context: ExportContext) -> None:
        """Append the rows of one batch."""
        for table in self._tables:
            if self._sink is not None and table.message in batch.tables:
                columns = table.columns(batch.tables[table.message], context)
                self._sink.write(table.name, columns)
                self.rows_total[table.name] += len(columns[0].values)

    def close(self) -> None:
        """End the temporary file."""
        if self._sink is not None:
            sink, self._sink = self._sink, None
            sink.close()

    def discard(self) -> None:
        """Remove the temporary file."""
        with contextlib.suppress(OSError):
            self.close()
        with contextlib.suppress(OSError):
            self.temporary.unlink(missing_ok=True)


def _files(target: Path, export_format: ExportFormat) -> list[_Output]:
    if export_format is ExportFormat.MCAP:
        return [_Output(target.with_name(target.name + McapSink.suffix), EXPORT_TABLES)]
    suffix = ParquetSink.suffix if export_format is ExportFormat.PARQUET else CsvSink.suffix
    return [_Output(_path_of(target, table, suffix), [table]) for table in EXPORT_TABLES]


@contextlib.contextmanager
def _outputs(target: Path, export_format: ExportFormat, force: bool) -> Iterator[list[_Output]]:
    """The files to write; on success they get their names, on failure they are removed."""
    outputs = _files(target, export_format)
    existing = [output.path for output in outputs if output.path.exists()]
    if existing and not force:
        raise ExportError(
            f"{existing[0]} exists already ({len(existing)} of {len(outputs)} files do).",
            "Choose another name, or ask for overwriting.",
        )
    try:
        yield outputs
        for output in outputs:
            output.close()
        for output in outputs:
            output.temporary.replace(output.path)
    except OSError as error:
        names = {str(output.temporary): output.path for output in outputs}
        raise export_error(names.get(str(error.filename), target), error) from error
    finally:
        for output in outputs:
            output.discard()


def _path_of(target: Path, table: ExportTable, suffix: str) -> Path:
    return target.with_name(f"{target.name}-{table.name}{suffix}")


def _metadata(source: Path, contents: Contents, context: ExportContext) -> dict[str, str]:
    facts = origin(contents)
    header = readable_header(source, contents)
    result = {
        "steelyard_export_schema": EXPORT_SCHEMA,
        "source": source.name,
        "recording_id": facts.recording_id,
        "recorded": utc_text(facts.started_unix_ns),
        "machine": facts.machine,
        "client_code": facts.client_code,
        "recorded_by": facts.software,
        "box_id": facts.box_id,
        "firmware_version": facts.firmware_version,
        "recording_format": f"{header.format_major}.{header.format_minor}",
        "protocol": f"{header.protocol_major}.{header.protocol_minor}",
    }
    for channel, description in sorted(contents.channels().items()):
        result[f"channel_{channel}"] = (
            f"{name_of(ChannelKind, description.kind)},"
            f" {name_of(SensorKind, description.sensor)},"
            f" serial {codec.plain_text(description.sensor_serial) or 'not named'},"
            f" nominal {description.nominal_rate_millihertz / 1000:g} Hz,"
            f" {description.counts_per_turn} counts per turn"
        )
    for channel, scale in sorted(context.forces.items()):
        result[f"calibration_channel_{channel}"] = scale.calibration_id
    if not context.forces:
        result["calibration"] = "none: raw counts only"
    result["clock"] = "; ".join(_clock_texts(context.timeline)) or "no time marks: no host time"
    return result


def _clock_texts(timeline: Timeline) -> Sequence[str]:
    return [
        f"boot {fit.boot_id}: {fit.mark_count} time marks,"
        f" device clock {fit.device_fast_ppm:+.2f} ppm,"
        f" residual {fit.residual_rms_us:.0f} us rms"
        for boot_id in timeline.clock.boot_ids
        for fit in timeline.clock.fits(boot_id)
    ]


class _TwoPasses:
    """Makes one progress out of two readings of the same file."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress

    def first(self, done: int, total: int) -> None:
        if self._progress is not None:
            self._progress(done, 2 * total)

    def second(self, done: int, total: int) -> None:
        if self._progress is not None:
            self._progress(total + done, 2 * total)
