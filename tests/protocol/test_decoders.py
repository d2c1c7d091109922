"""Any bytes, cut anywhere: events and never an exception, and two decoders that agree."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from steelyard_protocol import codec
from steelyard_protocol.bulk import Batch, BulkDecoder
from steelyard_protocol.codec import UnknownMessage
from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder, StreamEvent
from steelyard_protocol.layout import layouts_by_id
from steelyard_protocol.records import LoadSample, Status
from vector_files import message_cases

CORRUPTIONS = int(os.environ.get("STEELYARD_CORRUPTIONS", "1000000"))
"""How many corrupted frames to try; the full run is 10 million."""

GOLDEN = [bytes.fromhex(case["frame"]) for _, case in message_cases()]


def load_frame(sequence: int, counts: int = 1000) -> bytes:
    return codec.encode(LoadSample(0, 0, 77, sequence, sequence * 11000 % 2**30, counts, 2048, 900))


def golden_frame(index: int) -> bytes:
    return GOLDEN[index]


golden = st.integers(0, len(GOLDEN) - 1).map(golden_frame)
pieces = st.one_of(
    golden,
    st.binary(max_size=80),
    st.binary(max_size=600).map(lambda data: data.replace(b"\x00", b"\x01")),
    st.integers(0, 40).map(bytes),
    st.integers(0, 2**20).map(load_frame),
    st.tuples(golden, st.integers(0, 31), st.integers(1, 255)).map(
        lambda t: t[0][: t[1]] + bytes((t[0][t[1]] ^ t[2],)) + t[0][t[1] + 1 :]
    ),
)
streams = st.lists(pieces, max_size=30).map(b"".join)


def cut(data: bytes, cuts: Iterable[int]) -> list[bytes]:
    places = [0, *sorted(place % (len(data) + 1) for place in cuts), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(places)]


def bulk_in_pieces(parts: Iterable[bytes]) -> list[tuple[object, ...]]:
    decoder = BulkDecoder()
    found = [item for part in parts for item in flat(decoder.feed(part))]
    return sorted(found, key=lambda item: (item[1], item[0]))  # type: ignore[arg-type,return-value]


def flat(batch: Batch) -> list[tuple[object, ...]]:
    """A batch as (kind, offset, details) rows."""
    rows: list[tuple[object, ...]] = [("corrupt", *item) for item in batch.corrupt]
    rows += [("unknown", offset, message_id) for offset, message_id in batch.unknown]
    for name, table in batch.tables.items():
        for index, offset in enumerate(table.offsets.tolist()):
            fields = [
                tuple(values[index].tolist()) if values.ndim == 2 else values[index].item()
                for values in table.columns.values()
            ]
            rows.append((name, offset, *fields))
    return rows


def flat_events(events: Iterable[StreamEvent]) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for event in events:
        if isinstance(event, CorruptFrame):
            rows.append(("corrupt", *event))
        elif isinstance(event, Message) and isinstance(event.record, UnknownMessage):
            rows.append(("unknown", event.offset, event.record.message_id))
        elif isinstance(event, Message):
            name = layouts_by_id()[codec.message_id(event.record)].name
            fields = [
                value.rstrip(b"\x00") if isinstance(value, bytes) else value
                for value in event.record
            ]
            rows.append((name, event.offset, *fields))
    return rows


@given(st.binary(max_size=2000), st.lists(st.integers(0, 2000), max_size=10))
def test_any_bytes_any_chunking(data: bytes, cuts: list[int]) -> None:
    whole = StreamDecoder().feed(data)
    decoder = StreamDecoder()
    assert [event for part in cut(data, cuts) for event in decoder.feed(part)] == whole


@given(streams, st.lists(st.integers(0, 10_000), max_size=10))
def test_frames_and_garbage_any_chunking(data: bytes, cuts: list[int]) -> None:
    whole = StreamDecoder().feed(data)
    decoder = StreamDecoder()
    assert [event for part in cut(data, cuts) for event in decoder.feed(part)] == whole
    assert decoder.pending_bytes == len(data) - data.rfind(b"\x00") - 1


@settings(max_examples=300, deadline=None)
@given(streams, st.lists(st.integers(0, 10_000), max_size=6), st.integers(1, 60))
def test_bulk_and_streaming_decoder_agree(data: bytes, cuts: list[int], copies: int) -> None:
    data = data * copies if len(data) < 2000 else data
    expected = flat_events(StreamDecoder().feed(data))
    assert bulk_in_pieces(cut(data, cuts)) == expected


@given(st.binary(max_size=400), st.integers(2, 5))
def test_garbage_costs_at_most_one_good_frame(garbage: bytes, good: int) -> None:
    frames = b"".join(load_frame(number) for number in range(good))
    events = StreamDecoder().feed(garbage + frames)
    found = [
        event.record.sequence
        for event in events
        if isinstance(event, Message) and isinstance(event.record, LoadSample)
    ]
    assert found[-(good - 1) :] == list(range(1, good))


def test_bulk_survives_a_shifted_grid_and_heals() -> None:
    frames = [load_frame(number) for number in range(400)]
    data = b"".join(frames[:100]) + b"\x07\x00" + b"".join(frames[100:200]) + bytes(30)
    data += b"".join(frames[200:])
    batch = BulkDecoder().feed(data)
    assert batch.tables["load_sample"].columns["sequence"].tolist() == list(range(400))
    assert batch.corrupt == [CorruptFrame(3200, 1, "not COBS")]


def test_memory_stays_bounded_without_a_delimiter() -> None:
    for decoder in (StreamDecoder(), BulkDecoder()):
        for _ in range(1000):
            decoder.feed(b"\x55" * 10_000)
        assert len(decoder._tail) == 0
        assert decoder.pending_bytes == 10_000_000
    events = StreamDecoder().feed(b"\x55" * 100_000 + b"\x00" + load_frame(1))
    assert events[0] == CorruptFrame(0, 100_000, "too long")


def test_gaps_are_counted_per_channel_and_boot() -> None:
    def sample(channel: int, boot: int, sequence: int) -> bytes:
        return codec.encode(LoadSample(channel, 0, boot, sequence, 0, 0, 0, 0))

    rows = [(0, 1, 5), (1, 1, 9), (0, 1, 8), (1, 1, 10), (0, 2, 0), (0, 2, 1), (0, 2, 0)]
    events = StreamDecoder().feed(b"".join(sample(*row) for row in rows))
    gaps = [event for event in events if isinstance(event, Gap)]
    assert [(gap.channel, gap.boot_id, gap.missing) for gap in gaps] == [(0, 1, 2)]


def _corrupt(frames: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Frames (n, 31) without delimiter, each damaged in one of four ways."""
    count, width = frames.shape
    damaged = frames.copy()
    rows = np.arange(count)
    kind = rng.integers(0, 4, count)
    flips = rng.integers(1, 9, count)
    for number in range(8):  # 1 to 8 bits anywhere
        hit = rows[(kind == 0) & (number < flips)]
        damaged[hit, rng.integers(0, width, len(hit))] ^= (
            1 << rng.integers(0, 8, len(hit))
        ).astype(np.uint8)
    for start_kind, length in ((1, 4), (2, 12)):  # a burst of random bytes
        hit = rows[kind == start_kind]
        start = rng.integers(0, width - length, len(hit))
        for offset in range(length):
            damaged[hit, start + offset] = rng.integers(0, 256, len(hit))
    hit = rows[kind == 3]  # two bytes swapped
    a, b = rng.integers(0, width, (2, len(hit)))
    damaged[hit, a], damaged[hit, b] = damaged[hit, b], damaged[hit, a].copy()
    return damaged


def test_no_corrupted_frame_is_accepted() -> None:
    rng = np.random.default_rng(20261125)
    base = [load_frame(int(n), int(c)) for n, c in rng.integers(0, 2**23, (5000, 2))]
    frames = np.frombuffer(b"".join(base), np.uint8).reshape(-1, 32)[:, :31]
    tried = 0
    while tried < CORRUPTIONS:
        damaged = _corrupt(np.tile(frames, (20, 1)), rng)
        changed = (damaged != np.tile(frames, (20, 1))).any(axis=1)
        damaged = damaged[changed]
        data = np.zeros((len(damaged), 32), np.uint8)
        data[:, :31] = damaged
        batch = BulkDecoder().feed(data.tobytes())
        assert batch.frame_count == 0, batch
        tried += len(damaged)


@pytest.mark.parametrize("seed", range(3))
def test_the_streaming_decoder_refuses_the_same_corruptions(seed: int) -> None:
    rng = np.random.default_rng(seed)
    base = [load_frame(int(n), int(c)) for n, c in rng.integers(0, 2**23, (5000, 2))]
    frames = np.frombuffer(b"".join(base), np.uint8).reshape(-1, 32)[:, :31]
    damaged = _corrupt(frames, rng)
    damaged = damaged[(damaged != frames).any(axis=1)]
    data = b"".join(row.tobytes() + b"\x00" for row in damaged)
    assert not any(isinstance(event, Message) for event in StreamDecoder().feed(data))


def test_a_status_frame_between_samples_keeps_its_place() -> None:
    status = Status(77, 5, 6, 1, 1, 3, (1,) * 8, (0,) * 8, *([0] * 10), 2500, 90000)
    data = load_frame(1) + codec.encode(status) + load_frame(2)
    batch = BulkDecoder().feed(data)
    assert batch.tables["status"].offsets.tolist() == [32]
    assert batch.tables["status"].columns["conversions_total"].tolist() == [[1] * 8]
    assert batch.tables["load_sample"].offsets.tolist() == [0, 192]
