"""A whole recording in memory, as numpy columns and plain records."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol import records
from steelyard_protocol.bulk import Batch, Table, join_tables
from steelyard_protocol.decoder import CorruptFrame

from steelyard.errors import RecordingFormatError
from steelyard.recording.contents import SAMPLE_TABLES, Contents, Origin, Timeline, origin
from steelyard.recording.documents import Document
from steelyard.recording.file_format import version_problem
from steelyard.recording.rows import channel_rows, channels_of
from steelyard.recording.scan import (
    Progress,
    RecordingScan,
    iterate_batches,
    not_a_recording,
)

__all__ = [
    "AngleSamples",
    "LoadSamples",
    "Recording",
    "SampleTimes",
    "iterate_batches",
    "read_recording",
]


@dataclass(frozen=True)
class SampleTimes:
    """What every sample has, as columns of shape (n,) in file order."""

    sequence: NDArray[np.uint32]
    boot_index: NDArray[np.int32]
    """Index into `Recording.boot_ids`."""
    device_us: NDArray[np.int64]
    """Unwrapped device time [us]; starts anew, at any value, with each boot."""
    host_unix_ns: NDArray[np.int64]
    """Host wall clock [ns since 1970 UTC]; `contents.NO_HOST_TIME` where no time
    mark ties the boot to the host's clock."""
    flags: NDArray[np.uint16]
    """Bits of ``records.SampleFlags``."""
    offsets: NDArray[np.int64]
    """Place of each sample's frame in the file."""

    def __len__(self) -> int:
        return len(self.sequence)


@dataclass(frozen=True)
class LoadSamples(SampleTimes):
    """One load channel."""

    load_counts: NDArray[np.int32]
    """Raw conversions; ``messages.NO_COUNTS`` where there is no reading."""
    angle_counts: NDArray[np.int32]
    """Raw angle of that moment; ``messages.NO_COUNTS`` where there is no reading."""
    angle_age_us: NDArray[np.uint16]


@dataclass(frozen=True)
class AngleSamples(SampleTimes):
    """One angle channel."""

    angle_counts: NDArray[np.int32]
    sensor_status: NDArray[np.uint8]
    sensor_gain: NDArray[np.uint8]
    invalid_transitions_total: NDArray[np.uint32]


@dataclass(frozen=True)
class Recording:
    """Everything a recording holds.  Raw counts: units are a calibration's business."""

    path: Path
    header: records.RecordingHeader
    origin: Origin
    documents: tuple[Document, ...]
    document_problems: tuple[str, ...]
    identities: tuple[records.Identity, ...]
    channels: dict[int, records.ChannelDescription]
    loads: dict[int, LoadSamples]
    angles: dict[int, AngleSamples]
    boot_ids: tuple[int, ...]
    """In order of appearance."""
    statuses: tuple[records.Status, ...]
    events: tuple[records.Event, ...]
    time_marks: tuple[records.TimeMark, ...]
    annotations: tuple[records.Annotation, ...]
    link_changes: tuple[records.LinkChange, ...]
    timeline: Timeline = field(repr=False)
    corrupt: tuple[CorruptFrame, ...] = ()
    unknown_frames_total: int = 0
    torn_tail_bytes: int = 0


def read_recording(path: Path, progress: Progress | None = None) -> Recording:
    """Read a recording whole; every CRC is checked, broken frames are left out and listed.

    Takes some four times as much memory as the file is large; for more hours
    than that allows there is `iterate_batches`.

    Raises:
        RecordingStorageError: not there, not a file, or not readable.
        RecordingFormatError: empty, no recording, without header, or of a
            version that this program does not read.
    """
    scan = RecordingScan(path, progress)
    contents = Contents()
    samples = _SampleParts()
    corrupt: list[CorruptFrame] = []
    unknown = frames = 0
    for batch in scan:
        contents.add(batch)
        frames += batch.frame_count
        corrupt += batch.corrupt
        unknown += len(batch.unknown)
        samples.add(batch)
    if not frames:
        raise not_a_recording(path, scan.size_bytes)
    header = readable_header(path, contents)
    timeline = Timeline(contents)
    boot_ids = samples.boots_in_order(contents.table("status"))
    documents = contents.documents()
    return Recording(
        path=path,
        header=header,
        origin=origin(contents),
        documents=documents.documents(),
        document_problems=documents.problems(),
        identities=tuple(contents.rows(records.Identity)),
        channels=contents.channels(),
        loads={
            channel: LoadSamples(**_columns(table, boot_ids, timeline))
            for channel, table in samples.take("load_sample")
        },
        angles={
            channel: AngleSamples(**_columns(table, boot_ids, timeline))
            for channel, table in samples.take("angle_sample")
        },
        boot_ids=boot_ids,
        statuses=tuple(contents.rows(records.Status)),
        events=tuple(contents.rows(records.Event)),
        time_marks=tuple(contents.rows(records.TimeMark)),
        annotations=tuple(contents.rows(records.Annotation)),
        link_changes=tuple(contents.rows(records.LinkChange)),
        timeline=timeline,
        corrupt=tuple(corrupt),
        unknown_frames_total=unknown,
        torn_tail_bytes=scan.torn_tail_bytes,
    )


def readable_header(path: Path, contents: Contents) -> records.RecordingHeader:
    """Return the header of a recording that this program can read.

    Raises:
        RecordingFormatError: there is none, or it is of a version not known here.
    """
    found = contents.first_header()
    if found is None:
        raise RecordingFormatError(
            f"{path} has no recording header, so nothing says what it is of.",
            "Validate it to see what is left; its frames can still be played back.",
        )
    problem = version_problem(found[0])
    if problem:
        raise RecordingFormatError(f"{path}: {problem}.", "Update this program.")
    return found[0]


class _SampleParts:
    """Samples by message and channel, in the pieces in which they were read.

    Why apart from the start: joining everything first and then taking it apart
    again would need the memory three times.
    """

    def __init__(self) -> None:
        self._parts: dict[tuple[str, int], list[Table]] = {}
        self._first_offsets: dict[int, int] = {}

    def add(self, batch: Batch) -> None:
        """Take in one batch."""
        for name in SAMPLE_TABLES:
            if name not in batch.tables:
                continue
            table = batch.tables[name]
            self._note_boots(table)
            for channel in channels_of(table):
                self._parts.setdefault((name, channel), []).append(channel_rows(table, channel))

    def take(self, name: str) -> Iterator[tuple[int, Table]]:
        """Give away each channel of a message, joined, and forget its pieces."""
        for key in sorted(key for key in self._parts if key[0] == name):
            yield key[1], join_tables(name, self._parts.pop(key))

    def boots_in_order(self, status: Table) -> tuple[int, ...]:
        """Boot ids of samples and status frames in order of appearance."""
        self._note_boots(status)
        return tuple(sorted(self._first_offsets, key=lambda boot: self._first_offsets[boot]))

    def _note_boots(self, table: Table) -> None:
        first = self._first_offsets
        boots, index = np.unique(table.columns["boot_id"], return_index=True)
        for boot_id, offset in zip(boots.tolist(), table.offsets[index].tolist(), strict=True):
            first[boot_id] = min(offset, first.get(boot_id, offset))


def _columns(table: Table, boot_ids: tuple[int, ...], timeline: Timeline) -> dict[str, Any]:
    """One channel's table as the fields of its samples class."""
    columns = dict(table.columns)
    boots, ticks = columns.pop("boot_id"), columns.pop("device_ticks_us")
    del columns["channel"]
    device_us = timeline.device_us(boots, ticks, table.offsets)
    by_value = np.argsort(np.array(boot_ids, np.int64))
    position = np.searchsorted(np.array(boot_ids, np.int64)[by_value], boots)
    return {
        **columns,
        "boot_index": by_value[position].astype(np.int32),
        "device_us": device_us,
        "host_unix_ns": timeline.host_unix_ns(boots, device_us),
        "offsets": table.offsets,
    }
