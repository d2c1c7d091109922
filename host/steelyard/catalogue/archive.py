"""Where files lie in a shared folder: the recordings themselves, and their columns as Parquet.

::

    recordings/SITE/BOX-ID/2025/07/01/<start>-<12 of the hash>.steelyard
    columns/site=SITE/box=BOX-ID/day=2025-07-01/<start>-<12 of the hash>-load.parquet

A recording is never changed and never replaced.  Columns can be made again.
Names with ``=`` are how DuckDB, Spark and others find the parts of a data set.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from steelyard.calibration import ForceCalibration
from steelyard.catalogue.facts import RecordingFacts, file_sha256
from steelyard.errors import CatalogueError
from steelyard.recording.append_file import storage_error
from steelyard.recording.export import ExportFormat, export_recording

SHORT_HASH_LETTERS = 12


def archive_name(facts: RecordingFacts) -> str:
    """Name of a recording's files there, without suffix."""
    return f"{facts.started:%Y-%m-%dT%H%M%SZ}-{facts.sha256[:SHORT_HASH_LETTERS]}"


def keep_recording(facts: RecordingFacts, site: str, root: Path) -> Path:
    """Copy a recording into the archive, whole or not at all; returns where it lies.

    Raises:
        RecordingStorageError: the folder cannot be written.
        CatalogueError: another file has its name there, or the copy is not the same.
    """
    folder = root / "recordings" / site / facts.origin.box_id / f"{facts.started:%Y/%m/%d}"
    path = folder / f"{archive_name(facts)}.steelyard"
    if not path.exists():
        _copy(facts.path, path)
    if file_sha256(path) != facts.sha256:
        raise CatalogueError(
            f"{path} is not the recording {facts.path}, whose name it bears.",
            "Look at the disk of the archive; move that file away and enter the recording again.",
        )
    return path


def write_columns(facts: RecordingFacts, site: str, root: Path) -> list[Path]:
    """Write a recording's columns as Parquet, with newtons by the calibrations in it.

    What is there already stays.

    Raises:
        ExportError: the folder cannot be written.
    """
    day = f"day={facts.started:%Y-%m-%d}"
    folder = root / "columns" / f"site={site}" / f"box={facts.origin.box_id}" / day
    target = folder / archive_name(facts)
    there = _columns_of(target)
    if there:
        return there
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise storage_error(folder, "make the folder", error) from error
    files = export_recording(facts.path, target, ExportFormat.PARQUET, forces=_forces(facts))
    return [file.path for file in files]


def _forces(facts: RecordingFacts) -> dict[int, ForceCalibration]:
    """Force calibrations in the recording that are of its own box, by channel."""
    return {
        item.binding.channel: item
        for item in facts.calibrations
        if isinstance(item, ForceCalibration) and item.binding.box_id == facts.origin.box_id
    }


def _columns_of(target: Path) -> list[Path]:
    return sorted(target.parent.glob(f"{target.name}-*.parquet"))


def _copy(source: Path, path: Path) -> None:
    new = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with source.open("rb") as read, new.open("wb") as written:
            shutil.copyfileobj(read, written, 1 << 20)
            written.flush()
            os.fsync(written.fileno())
        new.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            new.unlink()
        raise storage_error(path, "copy a recording to", error) from error


def column_files(root: Path, table: str) -> Iterator[Path]:
    """All Parquet files of one table (load, angle, status, events) in an archive."""
    yield from sorted((root / "columns").rglob(f"*-{table}.parquet"))
