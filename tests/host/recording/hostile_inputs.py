"""Hostile inputs for everything that reads bytes, and what must hold for each of them.

``check_*`` take any bytes and raise AssertionError, or whatever escaped, when
the promise is broken: an answer or a plain error, in bounded time and memory.
Tests, hypothesis and the coverage-guided fuzzer all call the same functions.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

from steelyard.errors import SteelyardError
from steelyard.recording.overview import make_overview
from steelyard.recording.reader import read_recording
from steelyard.recording.span import read_span
from steelyard.recording.validator import validate
from steelyard_protocol.bulk import BulkDecoder
from steelyard_protocol.decoder import CorruptFrame, Message, StreamDecoder
from steelyard_protocol.frame import ENCODED_FRAME_LIMIT, encode_frame
from steelyard_protocol.layout import MessageLayout, layouts


def check_stream(data: bytes) -> int:
    """The streaming decoder: every byte is accounted for; returns the number of events."""
    decoder = StreamDecoder()
    events = decoder.feed(data)
    pending = decoder.pending_bytes
    assert pending == len(data) - data.rfind(b"\x00") - 1
    assert len(decoder._tail) <= ENCODED_FRAME_LIMIT
    end = 0
    for event in events:
        assert event.offset >= 0
        if isinstance(event, CorruptFrame):
            assert event.offset >= end
            assert event.length > 0
            end = event.offset + event.length
    return len(events)


def check_decoders_agree(data: bytes) -> None:
    """Streaming and bulk decoder: the same number of sound, unknown and corrupt frames."""
    events = StreamDecoder().feed(data)
    batch = BulkDecoder().feed(data)
    assert batch.frame_count == sum(isinstance(event, Message) for event in events)
    assert batch.corrupt == [event for event in events if isinstance(event, CorruptFrame)]


def check_file(path: Path, data: bytes) -> None:
    """Validator, reader, span and overview: an answer or a plain error, and the same one."""
    path.write_bytes(data)
    good = _answers(lambda: validate(path).frames_good_total)
    readable = _answers(lambda: read_whole(path))
    _answers(lambda: len(read_span(path, 0.5, 1.5).loads))
    _answers(lambda: len(make_overview(path, 50).channels))
    if readable is not None:
        assert good is not None
        assert readable <= good


def read_whole(path: Path) -> int:
    """Read everything, with all that is worked out only when asked for."""
    recording = read_recording(path)
    found = 0
    for samples in (*recording.loads.values(), *recording.angles.values()):
        assert len(samples.host_unix_ns) == len(samples.device_us) == len(samples)
        found += len(samples)
    for records in (recording.statuses, recording.events, recording.time_marks):
        found += len(records)
    return found


def _answers(question: Callable[[], int]) -> int | None:
    try:
        return question()
    except SteelyardError as error:
        if not error.what:
            raise
        return None


_EXTREMES = bytes((0, 0, 1, 0x7F, 0x80, 0xFF)[byte % 6] for byte in range(256))
"""Any byte to one at the edge of something; much quicker than a choice for each."""


class HostileSource:
    """Frames that are nearly right, quickly: broken, cut, repeated, lying, or noise."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._layouts = layouts()

    def piece(self) -> bytes:
        """One hostile piece of a stream."""
        kind = self._chance.randrange(8)
        if kind == 0:
            return self._chance.randbytes(self._chance.randrange(48))
        if kind == 1:
            return b"\x00" * self._chance.randrange(40)
        if kind == 2:
            return bytes(self._chance.randbytes(300).replace(b"\x00", b"\x01"))
        frame = bytearray(self.sound_frame())
        if kind == 3:
            frame[self._chance.randrange(len(frame))] ^= 1 << self._chance.randrange(8)
        elif kind == 4:
            del frame[self._chance.randrange(len(frame)) :]
        elif kind == 5:
            place = self._chance.randrange(len(frame))
            frame[place:place] = self._chance.randbytes(self._chance.randrange(6))
        return bytes(frame)

    def sound_frame(self) -> bytes:
        """A frame with a right CRC that may say anything, even of a wrong length."""
        layout: MessageLayout = self._chance.choice(self._layouts)
        body = self._chance.choice((self._extreme, self._chance.randbytes))(layout.size - 1)
        if self._chance.random() < 0.05:
            body = body[: self._chance.randrange(len(body) + 1)]
        number = layout.message_id if self._chance.random() < 0.95 else 0x3F
        return encode_frame(bytes((number,)) + body)

    def stream(self, pieces: int) -> bytes:
        """Several pieces, one after the other."""
        return b"".join(self.piece() for _ in range(pieces))

    def _extreme(self, length: int) -> bytes:
        return self._chance.randbytes(length).translate(_EXTREMES)


def fuzz_bytes(data: bytes) -> bytes:
    """Turn a fuzzer's bytes into a stream with right CRCs, which it could not find by itself.

    A control byte says how many bytes follow and whether they are framed or raw.
    """
    out = bytearray()
    at = 0
    while at < len(data):
        control = data[at]
        length = control & 0x7F
        piece = data[at + 1 : at + 1 + length]
        at += 1 + length
        out += encode_frame(piece) if control & 0x80 and piece else piece
    return bytes(out)
