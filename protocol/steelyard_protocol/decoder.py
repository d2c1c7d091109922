"""Streaming decoder: bytes in, events out, never an exception, bounded memory.

The events do not depend on how the bytes were cut into pieces.  After garbage
the next delimiter resynchronises, so at most the one frame that the garbage
touches is lost.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from .codec import UnknownMessage, decode
from .frame import DELIMITER, ENCODED_FRAME_LIMIT, FrameError
from .messages import ANGLE_SAMPLE, EVENT, LOAD_SAMPLE, NO_CHANNEL, SEQUENCE_PERIOD
from .records import AngleSample, Event, LoadSample, Record


class Message(NamedTuple):
    """A sound frame. ``offset``: position in the stream of the frame's first byte."""

    record: Record | UnknownMessage
    offset: int


class CorruptFrame(NamedTuple):
    """Bytes between two delimiters that are no frame of this protocol."""

    offset: int
    length: int
    reason: str


class Gap(NamedTuple):
    """Samples (or events) that the box numbered and that never arrived.

    ``offset`` is that of the first frame after the gap; ``missing`` counts what
    is lost between ``expected_sequence`` and ``found_sequence``, both modulo 2**30.
    """

    offset: int
    boot_id: int
    channel: int
    message_id: int
    expected_sequence: int
    found_sequence: int
    missing: int


StreamEvent = Message | CorruptFrame | Gap

_NUMBERED: Final = {
    LoadSample: LOAD_SAMPLE.message_id,
    AngleSample: ANGLE_SAMPLE.message_id,
}


class SequenceTracker:
    """Finds gaps in the numbering of one stream of records.

    A new boot id starts afresh: what was lost around a reboot cannot be counted
    from sequence numbers.
    """

    def __init__(self) -> None:
        self._boot_id: int | None = None
        self._expected: dict[tuple[int, int], int] = {}

    def follow(self, record: Record | UnknownMessage, offset: int) -> Gap | None:
        """Take the next record; return the gap before it, if there is one."""
        if isinstance(record, (LoadSample, AngleSample)):
            message_id, channel = _NUMBERED[type(record)], record.channel
        elif isinstance(record, Event):
            message_id, channel = EVENT.message_id, NO_CHANNEL
        else:
            return None
        if record.boot_id != self._boot_id:
            self._boot_id = record.boot_id
            self._expected.clear()
        key = (message_id, channel)
        found = record.sequence
        expected = self._expected.get(key, found)
        missing = (found - expected) % SEQUENCE_PERIOD
        if missing >= SEQUENCE_PERIOD // 2:
            return None  # behind what was expected: a repetition, nothing is missing
        self._expected[key] = (found + 1) % SEQUENCE_PERIOD
        if not missing:
            return None
        return Gap(offset, record.boot_id, channel, message_id, expected, found, missing)


class StreamDecoder:
    """Turns a stream of bytes into events, in order.

    Keeps at most one unfinished frame, however long the run without a delimiter.
    """

    def __init__(self) -> None:
        self._tail = b""
        self._overlong = 0
        self._offset = 0
        self._sequences = SequenceTracker()

    @property
    def pending_bytes(self) -> int:
        """Bytes of an unfinished frame at the end of what has been fed."""
        return self._overlong + len(self._tail)

    def feed(self, data: bytes | bytearray | memoryview) -> list[StreamEvent]:
        """Decode the next bytes of the stream, in pieces of any size."""
        events: list[StreamEvent] = []
        pieces = (self._tail + bytes(data)).split(DELIMITER)
        self._tail = pieces.pop()
        offset = self._offset
        for piece in pieces:
            if self._overlong:
                length = self._overlong + len(piece)
                events.append(CorruptFrame(offset, length, "too long"))
                offset += length + 1
                self._overlong = 0
            elif piece:
                self._decode_frame(piece, offset, events)
                offset += len(piece) + 1
            else:
                offset += 1
        self._offset = offset
        if self._overlong or len(self._tail) > ENCODED_FRAME_LIMIT:
            self._overlong += len(self._tail)
            self._tail = b""
        return events

    def _decode_frame(self, encoded: bytes, offset: int, events: list[StreamEvent]) -> None:
        try:
            record = decode(encoded)
        except FrameError as error:
            events.append(CorruptFrame(offset, len(encoded), str(error)))
            return
        gap = self._sequences.follow(record, offset)
        if gap is not None:
            events.append(gap)
        events.append(Message(record, offset))
