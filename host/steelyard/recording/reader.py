"""A whole recording in memory, as numpy columns and plain records."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol import records
from steelyard_protocol.bulk import Batch
from steelyard_protocol.decoder import CorruptFrame

from steelyard.errors import RecordingFormatError
from steelyard.recording.contents import Contents, Origin, Timeline, origin
from steelyard.recording.documents import Document
from steelyard.recording.file_format import version_problem
from steelyard.recording.sample_columns import GrowingTable, SampleColumns
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
    """What every sample has, as columns of shape (n,) in file order.

    Unwrapped and host times are worked out when they are first asked for.
    """

    sequence: NDArray[np.uint32]
    boot_index: NDArray[np.int32]
    """Index into `Recording.boot_ids`."""
    device_ticks_us: NDArray[np.uint32]
    """The box's own clock as it was sent, modulo 2**30 [us]."""
    flags: NDArray[np.uint16]
    """Bits of ``records.SampleFlags``."""
    offsets: NDArray[np.int64]
    """Place of each sample's frame in the file."""
    timeline: Timeline = field(repr=False, compare=False)
    boot_ids: tuple[int, ...] = field(repr=False, compare=False)

    def __len__(self) -> int:
        return len(self.sequence)

    @cached_property
    def boots(self) -> NDArray[np.uint32]:
        """Boot id of each sample."""
        ids = np.array(self.boot_ids, np.uint32)
        if len(ids) == 1:
            return np.broadcast_to(ids, len(self))  # takes no memory
        return ids[self.boot_index]

    @cached_property
    def device_us(self) -> NDArray[np.int64]:
        """Unwrapped device time [us]; starts anew, at any value, with each boot."""
        return self.timeline.device_us(self.boots, self.device_ticks_us, self.offsets)

    @cached_property
    def host_unix_ns(self) -> NDArray[np.int64]:
        """Host wall clock [ns since 1970 UTC]; `contents.NO_HOST_TIME` where no time
        mark ties the boot to the host's clock."""
        return self.timeline.host_unix_ns(self.boots, self.device_us)


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
    channels: dict[int, records.ChannelDescription]
    loads: dict[int, LoadSamples]
    angles: dict[int, AngleSamples]
    boot_ids: tuple[int, ...]
    """In order of appearance."""
    timeline: Timeline = field(repr=False)
    contents: Contents = field(repr=False)
    """Everything but samples, as columns (``contents.table("status")``)."""
    corrupt: tuple[CorruptFrame, ...] = ()
    unknown_frames_total: int = 0
    torn_tail_bytes: int = 0

    @cached_property
    def identities(self) -> tuple[records.Identity, ...]:
        """Every time the box said who it is."""
        return tuple(self.contents.rows(records.Identity))

    @cached_property
    def statuses(self) -> tuple[records.Status, ...]:
        """The box's heartbeats."""
        return tuple(self.contents.rows(records.Status))

    @cached_property
    def events(self) -> tuple[records.Event, ...]:
        """What happened once."""
        return tuple(self.contents.rows(records.Event))

    @cached_property
    def time_marks(self) -> tuple[records.TimeMark, ...]:
        """Comparisons of the box's clock with the host's."""
        return tuple(self.contents.rows(records.TimeMark))

    @cached_property
    def annotations(self) -> tuple[records.Annotation, ...]:
        """Remarks."""
        return tuple(self.contents.rows(records.Annotation))

    @cached_property
    def link_changes(self) -> tuple[records.LinkChange, ...]:
        """When the link to the box opened, was lost and was closed."""
        return tuple(self.contents.rows(records.LinkChange))


def read_recording(path: Path, progress: Progress | None = None) -> Recording:
    """Read a recording whole; every CRC is checked, broken frames are left out and listed.

    Takes some four times as much memory as the file is large; for more hours
    than that allows there are `iterate_batches` and `span.read_span`.

    Raises:
        RecordingStorageError: not there, not a file, or not readable.
        RecordingFormatError: empty, no recording, without header, or of a
            version that this program does not read.
    """
    scan = RecordingScan(path, progress)
    gathered = GatheredBatches()
    for batch in scan:
        gathered.add(batch, scan.done_bytes / scan.size_bytes)
    return gathered.recording(path, scan.size_bytes, scan.torn_tail_bytes)


class GatheredBatches:
    """Batches of one recording on their way to become a `Recording`."""

    def __init__(self) -> None:
        self.contents = Contents()
        self._samples = SampleColumns()
        self._corrupt: list[CorruptFrame] = []
        self._unknown_total = 0
        self._frames_total = 0

    def add(self, batch: Batch, part_of_all: float = 1.0) -> None:
        """Take in the next batch; with it, this part of the whole (0 to 1) has been read."""
        self.contents.add(batch)
        self._samples.add(batch, part_of_all)
        self._frames_total += batch.frame_count
        self._corrupt += batch.corrupt
        self._unknown_total += len(batch.unknown)

    def recording(self, path: Path, size_bytes: int, torn_tail_bytes: int) -> Recording:
        """Put everything together.  Only once: the samples are given away.

        Raises:
            RecordingFormatError: no frame, no header, or a version not read here.
        """
        if not self._frames_total:
            raise not_a_recording(path, size_bytes)
        header = readable_header(path, self.contents)
        timeline = Timeline(self.contents)
        boot_ids = self._samples.boots_in_order(self.contents.table("status"))
        documents = self.contents.documents()
        return Recording(
            path=path,
            header=header,
            origin=origin(self.contents),
            documents=documents.documents(),
            document_problems=documents.problems(),
            channels=self.contents.channels(),
            loads={
                channel: LoadSamples(**_columns(table, boot_ids, timeline))
                for channel, table in self._samples.take("load_sample")
            },
            angles={
                channel: AngleSamples(**_columns(table, boot_ids, timeline))
                for channel, table in self._samples.take("angle_sample")
            },
            boot_ids=boot_ids,
            timeline=timeline,
            contents=self.contents,
            corrupt=tuple(self._corrupt),
            unknown_frames_total=self._unknown_total,
            torn_tail_bytes=torn_tail_bytes,
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


def _columns(table: GrowingTable, boot_ids: tuple[int, ...], timeline: Timeline) -> dict[str, Any]:
    """One channel's columns as the fields of its samples class."""
    columns = table.columns()
    boot_index = np.zeros(len(columns["offsets"]), np.int32)
    starts = [first_row for first_row, _ in table.boot_runs]
    ends = [*starts[1:], len(boot_index)]
    order = {boot_id: index for index, boot_id in enumerate(boot_ids)}
    for (start, boot_id), end in zip(table.boot_runs, ends, strict=True):
        if order[boot_id]:  # zeros that nobody touches take no memory
            boot_index[start:end] = order[boot_id]
    return {**columns, "boot_index": boot_index, "timeline": timeline, "boot_ids": boot_ids}
