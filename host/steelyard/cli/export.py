"""``steelyard export``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path

import click
from steelyard_protocol.codec import plain_text

from steelyard.calibration import ForceCalibration, ForceReadings, Zeroing
from steelyard.calibration.in_service import days_between
from steelyard.calibration.least_squares import Array
from steelyard.cli.boxes import load_channel_calibrations, zeroes
from steelyard.cli.options import calibrations_option, json_option, recording_argument
from steelyard.cli.words import progress_bar, write_json
from steelyard.errors import RecordingFormatError
from steelyard.recording.contents import Contents, origin
from steelyard.recording.export import ExportFormat, export_recording
from steelyard.recording.scan import RecordingScan


@dataclass(frozen=True)
class _ForceThatDay:
    """A calibration as it stood on the day of the recording: drifted perhaps, and zeroed."""

    calibration: ForceCalibration
    age_days: float
    zero: Zeroing | None

    @property
    def calibration_id(self) -> str:
        """Content hash of the calibration."""
        return self.calibration.calibration_id

    def force(self, counts: Array) -> ForceReadings:
        """Forces of single samples (n), each with its uncertainty at that age."""
        return self.calibration.force(counts, zero=self.zero, age_days=self.age_days)


@click.command()
@recording_argument
@click.option(
    "--to",
    "export_format",
    type=click.Choice([item.value for item in ExportFormat]),
    default=ExportFormat.CSV.value,
    show_default=True,
)
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path),
    help="Folder and beginning of the names; without it, those of the recording.",
)
@click.option("--overwrite", is_flag=True, help="Replace files that exist.")
@calibrations_option
@json_option
def export(
    recording: Path,
    export_format: str,
    output: Path | None,
    overwrite: bool,
    calibration_paths: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Write a recording as CSV, Parquet or MCAP: tables of load, angle, status and events.

    csv-comma has decimal commas and semicolons, for a spreadsheet set to such a country.
    Raw counts are always there; with --calibration also newtons with their standard
    uncertainty, which grows with the time between calibration and recording. A zeroing logged
    in the 12 hours before the recording is applied, and said.
    """
    scales = _scales(recording, calibration_paths) if calibration_paths else {}
    with progress_bar("exporting", quiet=as_json) as progress:
        files = export_recording(
            recording,
            output or recording.with_suffix(""),
            ExportFormat(export_format),
            forces=scales,
            force=overwrite,
            progress=progress,
        )
    if as_json:
        write_json([{"table": f.table, "path": f.path, "rows": f.rows_total} for f in files])
        return
    for path, tables in groupby(files, key=lambda file: file.path):
        click.echo(f"{path}: " + ", ".join(f"{f.rows_total} rows of {f.table}" for f in tables))


def _scales(recording: Path, paths: tuple[Path, ...]) -> dict[int, _ForceThatDay]:
    """The calibrations, checked against the box that the recording is of."""
    contents = Contents()
    for batch in RecordingScan(recording, None):
        contents.add(batch)
    channels = contents.channels()
    if not channels:
        raise RecordingFormatError(
            f"{recording} does not say which sensors it is of.",
            "Export it without --calibration: raw counts need none.",
        )
    serials = [
        plain_text(channels[number].sensor_serial) if number in channels else ""
        for number in range(max(channels) + 1)
    ]
    facts = origin(contents)
    recorded = datetime.fromtimestamp(facts.started_unix_ns / 1e9, UTC).isoformat()
    found = load_channel_calibrations(paths, facts.box_id, channels.values(), serials)
    zeroed = zeroes(paths, found, recorded)
    for number, zero in sorted(zeroed.items()):
        click.echo(f"channel {number}: {zero.text}", err=True)
    return {
        number: _ForceThatDay(
            calibration,
            days_between(calibration.conditions.taken_at, recorded),
            zeroed[number].zero,
        )
        for number, calibration in found.items()
    }
