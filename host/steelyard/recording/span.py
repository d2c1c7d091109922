"""A few minutes out of many hours, found by bisection.

Time marks and link changes carry the host's monotonic clock, which never steps,
and stand in the file in the order of time.  So the file is its own index: some
twenty small reads find any second of a day.

Why no index beside the file: a whole pass over ten hours takes a quarter of a
second and this some milliseconds; an index would be one more thing to go stale,
to be lost, and to be believed when it is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from steelyard_protocol.bulk import Batch, BulkDecoder, Table
from steelyard_protocol.codec import decode
from steelyard_protocol.decoder import CorruptFrame
from steelyard_protocol.frame import DELIMITER, ENCODED_FRAME_LIMIT, FrameError
from steelyard_protocol.messages import LINK_CHANGE, SLOT_BYTES, TIME_MARK
from steelyard_protocol.records import LinkChange, TimeMark

from steelyard.errors import RecordingFormatError
from steelyard.recording.contents import SAMPLE_TABLES
from steelyard.recording.reader import GatheredBatches, Recording, readable_header
from steelyard.recording.scan import CHUNK_BYTES, file_size, read_chunks

_PROBE_BYTES: Final = 1 << 14
_CLOCKED: Final = frozenset((TIME_MARK.message_id, LINK_CHANGE.message_id))


@dataclass(frozen=True, order=True)
class Landmark:
    """A host frame that says when: its place in the file and its time."""

    offset: int
    host_monotonic_ns: int


class RecordingSearch:
    """Finds moments in one recording without reading it whole."""

    def __init__(self, path: Path) -> None:
        """Read the beginning.

        Raises:
            RecordingStorageError: not there, not a file, or not readable.
            RecordingFormatError: empty, no recording, or of a version not read here.
        """
        self.path = path
        self.size_bytes = file_size(path)
        self.head = GatheredBatches()
        self.head_bytes = self._read_head()
        header = readable_header(path, self.head.contents)
        self.begun_ns = header.host_monotonic_ns

    def landmark_before(self, seconds: float) -> Landmark:
        """The last landmark at or before a moment, counted from the header; or the beginning."""
        wanted_ns = self.begun_ns + seconds * 1e9
        found = Landmark(self.head_bytes, self.begun_ns)
        low, high = self.head_bytes // SLOT_BYTES, -(-self.size_bytes // SLOT_BYTES)
        while low < high:
            middle = (low + high) // 2
            landmark = self._first_after(middle * SLOT_BYTES)
            if landmark is None or landmark.host_monotonic_ns > wanted_ns:
                high = middle
            else:
                # The landmark's own place is known now: nothing before it is of interest.
                found, low = landmark, max(middle, landmark.offset // SLOT_BYTES) + 1
        return found

    def landmark_after(self, seconds: float) -> Landmark | None:
        """The first landmark after a moment; None when the recording ends before."""
        return self._first_after(self.landmark_before(seconds).offset + 1)

    def _first_after(self, offset: int) -> Landmark | None:
        """The first landmark that begins at or behind a place in the file."""
        # A frame begins behind a delimiter: look for one from the byte before on.
        place = max(0, offset - 1)
        at_frame = offset == 0
        held = b""
        for chunk in read_chunks(self.path, self.size_bytes, _PROBE_BYTES, place):
            *pieces, tail = (held + chunk).split(DELIMITER)
            for piece in pieces:
                landmark = _landmark(piece, place) if at_frame else None
                if landmark is not None:
                    return landmark
                at_frame = True
                place += len(piece) + 1
            held = tail
            if len(held) > ENCODED_FRAME_LIMIT:  # no frame, whatever it is
                place, held, at_frame = place + len(held), b"", False
        return None

    def _read_head(self) -> int:
        """Take in everything before the first sample; return where that stands."""
        decoder = BulkDecoder()
        for chunk in read_chunks(self.path, self.size_bytes, _PROBE_BYTES):
            batch = decoder.feed(chunk)
            firsts = [
                int(batch.tables[name].offsets[0]) for name in SAMPLE_TABLES if name in batch.tables
            ]
            end = min(firsts, default=self.size_bytes)
            self.head.add(_part(batch, 0, end))
            if firsts:
                return end
        return self.size_bytes


def read_span(path: Path, begin_seconds: float, end_seconds: float) -> Recording:
    """Read what was recorded between two moments, counted from the recording's header.

    It begins at the last time mark or link change before ``begin_seconds`` and ends
    at the first one after ``end_seconds`` (or with the first and the last sample), so
    usually within a second of them, with
    the header, documents and descriptions of the whole.  Host times rest on the time
    marks inside; `SampleTimes.device_us` may differ from that of the whole recording
    by whole periods of the device clock.

    Raises:
        RecordingStorageError: not there, not a file, or not readable.
        RecordingFormatError: empty, no recording, of a version not read here, or
            the end is not behind the beginning.
    """
    if not begin_seconds < end_seconds:
        raise RecordingFormatError(
            f"A stretch from {begin_seconds:g} s to {end_seconds:g} s is none.",
            "Give an end behind the beginning.",
        )
    search = RecordingSearch(path)
    begin = search.landmark_before(begin_seconds).offset
    last = search.landmark_after(end_seconds)
    end = search.size_bytes if last is None else last.offset
    decoder = BulkDecoder()
    for chunk in read_chunks(path, end, CHUNK_BYTES, begin):
        search.head.add(_part(decoder.feed(chunk), begin, search.size_bytes))
    return search.head.recording(path, search.size_bytes, torn_tail_bytes=0)


def _landmark(encoded: bytes, offset: int) -> Landmark | None:
    """What a frame says of the time; None for one that says nothing, or a broken one."""
    # The id comes second and is never zero, so COBS leaves it as it is.
    if len(encoded) < 2 or encoded[1] not in _CLOCKED:
        return None
    try:
        record = decode(encoded)
    except FrameError:
        return None
    if isinstance(record, (TimeMark, LinkChange)):
        return Landmark(offset, record.host_monotonic_ns)
    return None


def _part(batch: Batch, begin: int, end: int) -> Batch:
    """The frames before ``end`` of a batch whose decoder began at ``begin`` of the file."""
    pieces = {}
    for name, table in batch.tables.items():
        count = int(np.searchsorted(table.offsets + begin, end))
        if count:
            columns = {key: values[:count] for key, values in table.columns.items()}
            pieces[name] = [Table(columns, table.offsets[:count] + begin)]
    return Batch(
        pieces,
        [(begin + place, number) for place, number in batch.unknown if begin + place < end],
        [
            CorruptFrame(begin + item.offset, item.length, item.reason)
            for item in batch.corrupt
            if begin + item.offset < end
        ],
    )
