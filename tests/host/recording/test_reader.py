"""What was written comes back as columns; times are right through wraps, silence and reboots."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from host.recording.ideal_box import (
    BOOT,
    UNIX_EPOCH_NS,
    FrameSource,
    RecordingMaker,
    decoded,
    encoded,
)
from steelyard.errors import RecordingFormatError, RecordingStorageError
from steelyard.recording.contents import NO_HOST_TIME, Contents, Timeline
from steelyard.recording.documents import Document
from steelyard.recording.reader import iterate_batches, read_recording
from steelyard.recording.repair import repair
from steelyard.recording.scan import RecordingScan
from steelyard.recording.validator import validate
from steelyard_protocol import codec, records
from steelyard_protocol.bulk import BulkDecoder, join_tables
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.messages import TICKS_PERIOD_US
from steelyard_protocol.records import DocumentKind


def test_everything_written_comes_back(maker: RecordingMaker) -> None:
    source = maker.source
    documents = (Document(DocumentKind.CALIBRATION, '{"µ": 1}' * 60), Document(4, "note"))
    with maker.open(documents=documents) as writer:
        writer.describe_box(source.identity(), source.channels())
        writer.link_opened()
        writer.append_device_bytes(encoded([*source.second(0), source.event(0.9, 1)]))
        writer.annotate("ready")
        maker.clock.advance_s(1)
        writer.mark_time(source.mark(1, maker.clock))
    recording = read_recording(writer.path)
    frames, _, _ = decoded(writer.path.read_bytes())

    def of(kind: type) -> tuple[object, ...]:
        return tuple(frame for frame in frames if isinstance(frame, kind))

    assert recording.documents == documents
    assert recording.document_problems == ()
    assert (recording.header,) == of(records.RecordingHeader)
    assert recording.identities == of(records.Identity)
    assert tuple(recording.channels.values()) == of(records.ChannelDescription)
    assert recording.statuses == of(records.Status)
    assert recording.events == of(records.Event)
    assert recording.time_marks == of(records.TimeMark)
    assert recording.annotations == of(records.Annotation)
    assert recording.link_changes == of(records.LinkChange)
    for channel in (0, 1):
        samples = recording.loads[channel]
        expected = [s for s in of(records.LoadSample) if s.channel == channel]  # type: ignore[attr-defined]
        for name in ("sequence", "load_counts", "angle_counts", "angle_age_us", "flags"):
            column = getattr(samples, name)
            assert column.tolist() == [getattr(sample, name) for sample in expected]
            assert column.flags.c_contiguous
        assert len(samples) == 80
    angles = list(of(records.AngleSample))
    assert recording.angles[2].angle_counts.tolist() == [a.angle_counts for a in angles]  # type: ignore[attr-defined]
    assert recording.corrupt == ()
    assert recording.torn_tail_bytes == 0


def test_batches_hold_the_same_as_the_whole(maker: RecordingMaker) -> None:
    path = maker.seconds(3)
    count = sum(batch.frame_count for batch in iterate_batches(path))
    assert count == validate(path).frames_good_total


@pytest.mark.parametrize("chunk_bytes", [100, 4096, 10_007])
def test_batches_stay_good_while_others_are_read(maker: RecordingMaker, chunk_bytes: int) -> None:
    """All batches of a pass kept and looked at when it is over: none was written over."""
    path = maker.seconds(3)
    kept = list(RecordingScan(path, chunk_bytes=chunk_bytes))
    whole = BulkDecoder().feed(path.read_bytes())
    assert len(kept) > 2
    for name, table in whole.tables.items():
        parts = join_tables(name, [batch.tables[name] for batch in kept if name in batch.tables])
        assert np.array_equal(parts.offsets, table.offsets)
        for column, values in table.columns.items():
            assert np.array_equal(parts.columns[column], values)


def test_without_a_status_frame_time_runs_on_through_wraps() -> None:
    """More samples than are worked on at once, and nothing to anchor them at."""
    count = 100_000
    true_us = 5_000 + np.arange(count, dtype=np.int64) * 40_000  # four wraps
    boots = np.full(count, 7, np.uint32)
    ticks = (true_us % (1 << 30)).astype(np.uint32)
    timeline = Timeline(Contents())
    assert np.array_equal(timeline.device_us(boots, ticks, np.arange(count) * 32), true_us)


@pytest.mark.parametrize("step_us", [12_500, 300_000])
def test_time_anchored_at_status_frames_is_that_of_each_by_itself(step_us: int) -> None:
    """The quick way for a block whose time goes forward, held against one row at a time."""
    chance = np.random.default_rng(4)
    count = 40_000
    true_us = 2_000_000 + np.arange(count, dtype=np.int64) * step_us
    true_us[20_000:] += 3 * (1 << 30)  # an hour of silence
    jitter = chance.integers(-50, 50, count)  # kinds of message overtake each other a little
    jitter[: count // 2] = 0
    true_us += jitter
    contents = Contents()
    source = FrameSource()
    places = np.arange(count, dtype=np.int64) * 64
    for index in range(0, count, 50):
        seconds = (true_us[index] - source.ticks_at_start_us) / 1e6
        batch = BulkDecoder().feed(encoded([source.status(float(seconds))]))
        batch.tables["status"].offsets[:] = places[index]
        contents.add(batch)
    timeline = Timeline(contents)
    boots = np.full(count, BOOT, np.uint32)
    ticks = (true_us % (1 << 30)).astype(np.uint32)
    together = timeline.device_us(boots, ticks, places)
    alone = timeline._ticks.unwrap(boots, ticks, places)
    assert np.array_equal(together, alone)
    assert np.array_equal(np.diff(together), np.diff(true_us))


def test_host_times_follow_the_marks(maker: RecordingMaker) -> None:
    recording = read_recording(maker.seconds(5))
    samples = recording.loads[0]
    expected = UNIX_EPOCH_NS + 5_000_000_000 + (samples.device_us - 1_000_000) * 1000
    assert abs(samples.host_unix_ns - expected).max() <= 1000


def test_without_marks_there_is_no_host_time(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        writer.append_device_bytes(encoded(maker.source.second(0)))
    recording = read_recording(writer.path)
    assert (recording.loads[0].host_unix_ns == NO_HOST_TIME).all()
    assert np.isnat(recording.loads[0].host_unix_ns.view("datetime64[ns]")).all()


def test_device_time_runs_on_through_a_wrap(tmp_path: Path) -> None:
    source = FrameSource(ticks_at_start_us=TICKS_PERIOD_US - 2_000_000)
    recording = read_recording(RecordingMaker(tmp_path, source=source).seconds(4))
    for samples, step in ((recording.loads[1], 12_500), (recording.angles[2], 5_000)):
        assert (np.diff(samples.device_us) == step).all()
    assert recording.loads[0].device_us[0] == recording.angles[2].device_us[0]


def test_device_time_is_right_after_an_hour_without_a_link(maker: RecordingMaker) -> None:
    """The ticks wrap three times meanwhile; the uptime says so, from the first sample on."""
    source = maker.source
    with maker.open() as writer:
        writer.link_opened()
        writer.append_device_bytes(encoded(source.second(0)))
        writer.link_lost()
        for channel in (0, 1):
            source.skip(channel, 3600 * 80)
        source.skip(2, 3600 * 200, "angle")
        writer.link_opened()
        writer.append_device_bytes(encoded(source.second(3601)))
    samples = read_recording(writer.path).loads[0]
    expected = 1_000_000 + samples.sequence.astype(np.int64) * 12_500
    assert (samples.device_us == expected).all()
    report = validate(writer.path)
    assert report.channels[0].measured_rate_hz == pytest.approx(80, rel=1e-9)


def test_boots_are_told_apart(maker: RecordingMaker) -> None:
    again = FrameSource(boot_id=BOOT - 1, ticks_at_start_us=5)
    with maker.open() as writer:
        for source in (maker.source, again):
            writer.append_device_bytes(encoded(source.second(0)))
            writer.mark_time(source.mark(1, maker.clock))
            maker.clock.advance_s(100)
    recording = read_recording(writer.path)
    samples = recording.loads[0]
    assert recording.boot_ids == (BOOT, BOOT - 1)
    assert samples.boot_index.tolist() == [0] * 80 + [1] * 80
    assert samples.device_us[80] == 5
    later = samples.host_unix_ns[80] - samples.host_unix_ns[0]
    assert later == pytest.approx(100e9, abs=2000)


def test_broken_frames_are_left_out_and_listed(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    data = bytearray(path.read_bytes())
    data[5000] ^= 0x10
    path.write_bytes(data)
    recording = read_recording(path)
    assert len(recording.corrupt) == 1
    assert recording.corrupt[0].offset <= 5000 < recording.corrupt[0].offset + 64


def test_what_cannot_be_read_is_said_plainly(maker: RecordingMaker, tmp_path: Path) -> None:
    path = maker.seconds(1)
    data = path.read_bytes()
    path.write_bytes(data[128:])
    with pytest.raises(RecordingFormatError, match="no recording header"):
        read_recording(path)
    header = decoded(data)[0][0]
    assert isinstance(header, records.RecordingHeader)
    path.write_bytes(codec.encode(header._replace(protocol_major=9)))
    with pytest.raises(RecordingFormatError, match="protocol version 9"):
        read_recording(path)
    path.write_bytes(b"\x00" * 64)
    with pytest.raises(RecordingFormatError, match="not a recording"):
        read_recording(path)


def cuts(size: int, frame_ends: list[int]) -> list[int]:
    """Sizes within the last 4 KB, falling: all of them, or those that differ in kind.

    A cut inside a frame is like any other there, so the short form takes the bytes about
    every frame's end in the last kilobyte, and a few everywhere.
    """
    every = range(size, size - 4097, -1)
    if "STEELYARD_EVERY_BYTE" in os.environ:
        return list(every)
    near = {end + by for end in frame_ends if end > size - 1024 for by in (-1, 0, 1)}
    return [cut for cut in every if cut in near or cut % 61 == 0]


def test_cut_at_any_byte_of_the_last_four_kilobytes(maker: RecordingMaker) -> None:
    """Each file opens, and loses no frame but the torn one.

    ``STEELYARD_EVERY_BYTE=1`` cuts at every byte.
    """
    with maker.open() as writer:
        frames = maker.source.second(0)[:130]
        for start in range(0, 130, 65):
            writer.append_device_bytes(encoded(frames[start : start + 65]))
            writer.mark_time(maker.source.mark(0.1, maker.clock))
    data = writer.path.read_bytes()
    assert len(data) > 4096 + 256
    path = maker.folder / "cut.steelyard"
    path.write_bytes(data)
    whole_ends = [
        event.offset + data[event.offset :].index(b"\x00") + 1 for event in _messages(data)
    ]
    for size in cuts(len(data), whole_ends):
        with path.open("r+b") as file:
            file.truncate(size)
        report = validate(path)
        assert report.frames_good_total == sum(end <= size for end in whole_ends)
        assert report.frames_bad_total == 0
        assert report.torn_tail_bytes == size - data[:size].rfind(b"\x00") - 1
        if size % 8 < 3:
            recording = read_recording(path)
            assert recording.torn_tail_bytes == report.torn_tail_bytes
            assert len(recording.loads[0]) == report.channels[0].samples_total


def _messages(data: bytes) -> list[Message]:
    return [event for event in StreamDecoder().feed(data) if isinstance(event, Message)]


# --- repair -------------------------------------------------------------------------


def test_a_repair_trims_a_copy_and_leaves_the_original(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    torn = path.read_bytes()[:-8]
    path.write_bytes(torn)
    copy = path.with_name("copy.steelyard")
    done = repair(path, copy)
    assert path.read_bytes() == torn
    assert (done.kept_bytes, done.trimmed_bytes) == (len(torn) - 24, 24)
    assert copy.read_bytes() == torn[:-24]
    assert validate(copy).torn_tail_bytes == 0


def test_a_repair_keeps_bad_frames(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    data = bytearray(path.read_bytes())
    data[5000] ^= 0x10
    path.write_bytes(data)
    repair(path, path.with_name("copy.steelyard"))
    assert validate(path.with_name("copy.steelyard")).frames_bad_total == 1


def test_a_repair_never_overwrites_nor_touches_a_running_recording(
    maker: RecordingMaker,
) -> None:
    path = maker.seconds(1)
    with pytest.raises(RecordingStorageError, match="exists already"):
        repair(path, path)
    with maker.open() as writer, pytest.raises(RecordingStorageError, match="being recorded"):
        repair(writer.path, maker.folder / "copy.steelyard")
    assert not (maker.folder / "copy.steelyard").exists()
    text = maker.folder / "text"
    text.write_text("none")
    with pytest.raises(RecordingFormatError):
        repair(text, maker.folder / "copy.steelyard")
