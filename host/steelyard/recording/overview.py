"""A whole recording at a glance: every channel's extremes in some thousand columns.

One pass in constant memory.  Samples are first put together in short blocks,
a fraction of a column each, while they are read; when the pass is over and the
clocks are known the blocks are put into columns of equal time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol import codec
from steelyard_protocol.bulk import Batch, Table
from steelyard_protocol.messages import NO_COUNTS, SLOT_BYTES
from steelyard_protocol.records import Annotation, ChannelKind, LinkState
from steelyard_protocol.soundness import UNSOUND_LOAD

from steelyard.recording.contents import (
    NO_HOST_TIME,
    SAMPLE_TABLES,
    Contents,
    Origin,
    Timeline,
    origin,
)
from steelyard.recording.envelope import Envelope, coarser, envelope, joined, run_starts
from steelyard.recording.reader import readable_header
from steelyard.recording.rows import channel_rows, channels_of, name_of
from steelyard.recording.scan import Progress, RecordingScan
from steelyard.recording.span import RecordingSearch

COLUMNS: Final = 2000
_BLOCKS_A_COLUMN: Final = 8
_RATES_HZ: Final = (5000, 5)
"""No recording has more frames a second, or fewer."""
_COUNTS: Final = {"load_sample": "load_counts", "angle_sample": "angle_counts"}

_Key = tuple[str, int]
"""Name of the message, and channel."""
FloatArray = NDArray[np.float64]
Int64Array = NDArray[np.int64]


@dataclass(frozen=True)
class ChannelOverview:
    """One channel; columns without any sample are left out, so an outage is a hole."""

    channel: int
    kind: str
    seconds: FloatArray
    """Beginning of each column since the first sample of the recording, shape (n,) [s]."""
    counts: Envelope
    """Extremes of the raw counts in each column, shape (n,)."""


@dataclass(frozen=True)
class Overview:
    """What `make_overview` found."""

    path: Path
    origin: Origin
    duration_seconds: float
    """From the first sample to the last."""
    column_seconds: float
    channels: tuple[ChannelOverview, ...]
    remarks: tuple[tuple[float, str], ...]
    """When [s] and what: annotations, lost links."""


def make_overview(path: Path, columns: int = COLUMNS, progress: Progress | None = None) -> Overview:
    """Read a recording once and keep the extremes of each of ``columns`` stretches of time.

    An extreme stands in the column in which its block begins: at most an eighth
    of a column early.  Time is the host's where time marks tie a boot to it;
    another boot follows the one before it.

    Raises:
        RecordingStorageError: not there, not a file, or not readable.
        RecordingFormatError: empty, no recording, or of a version not read here.
    """
    scan = RecordingScan(path, progress)
    block_us = _block_us(path, scan.size_bytes, columns * _BLOCKS_A_COLUMN)
    contents = Contents()
    blocks: dict[_Key, _Blocks] = {}
    for batch in scan:
        contents.add(batch)
        for name, channel, table in _channel_tables(batch):
            blocks.setdefault((name, channel), _Blocks()).add(name, table, block_us)
    readable_header(path, contents)
    timeline = Timeline(contents)
    axis = _TimeAxis(timeline, blocks)
    descriptions = contents.channels()
    width = max(axis.duration_seconds, 1e-9) / columns
    channels = [
        _channel_overview(
            channel,
            name_of(ChannelKind, descriptions[channel].kind) if channel in descriptions else name,
            axis.seconds((name, channel)),
            joined(collected.envelopes),
            width,
            columns,
        )
        for (name, channel), collected in sorted(blocks.items(), key=lambda item: item[0][1])
    ]
    return Overview(
        path,
        origin(contents),
        axis.duration_seconds,
        width,
        tuple(channels),
        tuple(_remarks(contents, axis)),
    )


def _channel_tables(batch: Batch) -> list[tuple[str, int, Table]]:
    return [
        (name, channel, channel_rows(table, channel))
        for name in SAMPLE_TABLES
        for table in batch.pieces.get(name, ())
        for channel in channels_of(table)
    ]


@dataclass
class _Blocks:
    """Short stretches of one channel: their extremes and their first samples' times."""

    envelopes: list[Envelope] = field(default_factory=list)
    boots: list[NDArray[Any]] = field(default_factory=list)
    ticks: list[NDArray[Any]] = field(default_factory=list)
    offsets: list[Int64Array] = field(default_factory=list)

    def add(self, name: str, table: Table, block_us: int) -> None:
        """Take in the channel's next samples."""
        columns = table.columns
        starts = _block_starts(table, block_us)
        counts = columns[_COUNTS[name]]
        usable = counts != NO_COUNTS
        if name == "load_sample":
            usable &= columns["flags"] & UNSOUND_LOAD == 0
        self.envelopes.append(envelope(counts, usable, starts))
        self.boots.append(columns["boot_id"][starts])
        self.ticks.append(columns["device_ticks_us"][starts])
        self.offsets.append(table.offsets[starts])


def _block_us(path: Path, size_bytes: int, block_count: int) -> int:
    """How long a block is, so that about so many make up the recording."""
    search = RecordingSearch(path)
    last_ns = search.landmark_before(math.inf).host_monotonic_ns
    duration_us = (last_ns - search.begun_ns) // 1000
    # A recording without time marks, or with lying ones: go by its size.
    slots = size_bytes // SLOT_BYTES
    shortest_us, longest_us = (slots * 1_000_000 // rate for rate in _RATES_HZ)
    return max(1, min(max(duration_us, shortest_us), longest_us) // block_count)


def _block_starts(table: Table, block_us: int) -> Int64Array:
    """Where the clock enters another block, and wherever samples do not follow each other."""
    ticks, boots = table.columns["device_ticks_us"] // block_us, table.columns["boot_id"]
    sequence = table.columns["sequence"]
    breaks = (ticks[1:] != ticks[:-1]) | (boots[1:] != boots[:-1])
    breaks |= sequence[1:] - sequence[:-1] != 1
    return np.concatenate([[0], np.flatnonzero(breaks) + 1]).astype(np.int64)


@dataclass(frozen=True)
class _BlockTimes:
    """When one channel's blocks begin, each array of shape (n,)."""

    boots: NDArray[Any]
    offsets: Int64Array
    device_us: Int64Array
    host_ns: Int64Array
    """`NO_HOST_TIME` where no time mark ties the boot to the host's clock."""

    @classmethod
    def of(cls, blocks: _Blocks, timeline: Timeline) -> _BlockTimes:
        """Put the blocks of all batches together and look up their times."""
        boots, offsets = np.concatenate(blocks.boots), np.concatenate(blocks.offsets)
        device_us = timeline.device_us(boots, np.concatenate(blocks.ticks), offsets)
        return cls(boots, offsets, device_us, timeline.host_unix_ns(boots, device_us))


class _TimeAxis:
    """Puts the blocks of all channels and boots on one axis of seconds."""

    def __init__(self, timeline: Timeline, blocks: dict[_Key, _Blocks]) -> None:
        self._times = {key: _BlockTimes.of(found, timeline) for key, found in blocks.items()}
        self._zero_ns = 0
        self._shift_ns: dict[int, int] = {}
        if blocks:
            self._place_boots()
        ends = [float(self.seconds(key)[-1]) for key in blocks]
        self.duration_seconds = max(ends, default=0.0)

    def seconds(self, key: _Key) -> FloatArray:
        """Time of each block of a channel since the zero of the axis [s]."""
        found = self._times[key]
        times = found.host_ns.copy()
        for boot_id, shift_ns in self._shift_ns.items():
            chosen = (found.boots == boot_id) & (found.host_ns == NO_HOST_TIME)
            times[chosen] = found.device_us[chosen] * 1000 + shift_ns
        return (times - self._zero_ns) / 1e9

    def at_unix_ns(self, unix_ns: int) -> float:
        """A moment of the host's clock on the axis [s]."""
        return (unix_ns - self._zero_ns) / 1e9

    def _place_boots(self) -> None:
        """Boots with time marks stand where the host's clock says, others follow on."""
        parts = list(self._times.values())
        order = np.argsort(np.concatenate([part.offsets for part in parts]), kind="stable")
        boots = np.concatenate([part.boots for part in parts])[order]
        device_us = np.concatenate([part.device_us for part in parts])[order]
        host_ns = np.concatenate([part.host_ns for part in parts])[order]
        end_ns: int | None = None
        for boot_id in dict.fromkeys(boots[run_starts(boots)].tolist()):
            own = boots == boot_id
            first_us, last_us = int(device_us[own].min()), int(device_us[own].max())
            if int(host_ns[own][0]) == NO_HOST_TIME:
                begin_ns = end_ns or 0
                self._shift_ns[boot_id] = begin_ns - first_us * 1000
                end_ns = last_us * 1000 + self._shift_ns[boot_id]
            else:
                begin_ns, end_ns = int(host_ns[own].min()), int(host_ns[own].max())
            if boot_id == int(boots[0]):
                self._zero_ns = begin_ns


def _channel_overview(
    channel: int, kind: str, seconds: FloatArray, blocks: Envelope, width: float, columns: int
) -> ChannelOverview:
    column = np.floor(seconds / width).astype(np.int64)
    np.minimum(column, columns - 1, out=column)  # the very last sample
    order = np.argsort(column, kind="stable")  # a boot may stand before another one's end
    starts = run_starts(column[order])
    sorted_blocks = Envelope(
        blocks.lowest[order],
        blocks.highest[order],
        blocks.usable_total[order],
        blocks.unusable_total[order],
    )
    first = column[order][starts].astype(np.float64)
    return ChannelOverview(channel, kind, first * width, coarser(sorted_blocks, starts))


def _remarks(contents: Contents, axis: _TimeAxis) -> list[tuple[float, str]]:
    changes = contents.table("link_change").columns
    lost = changes["host_unix_ns"][changes["state"] == LinkState.LOST].tolist()
    found = [(axis.at_unix_ns(unix_ns), "link lost") for unix_ns in lost]
    found += [
        (axis.at_unix_ns(item.host_unix_ns), codec.plain_text(item.text))
        for item in contents.rows(Annotation)
    ]
    return sorted(found)
