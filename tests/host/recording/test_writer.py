"""What the writer puts into a file, read back by the streaming decoder."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from host.recording.ideal_box import FrameSource, RecordingMaker, VirtualClock, decoded, encoded
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture
from steelyard.errors import RecordingFormatError, RecordingStorageError
from steelyard.recording.documents import Document
from steelyard.recording.file_format import Subject
from steelyard.recording.validator import validate
from steelyard.recording.writer import RecordingWriter, with_suffix
from steelyard_protocol import records
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.messages import SLOT_BYTES


def _frames(path: Path) -> list[object]:
    frames, corrupt, _ = decoded(path.read_bytes())
    assert corrupt == []
    return frames


def _kinds(path: Path) -> list[str]:
    return [type(frame).__name__ for frame in _frames(path)]


def test_the_header_comes_first_and_says_whose_recording_it_is(
    tmp_path: Path, clock: VirtualClock
) -> None:
    path = tmp_path / "a.steelyard"
    document = Document(records.DocumentKind.MACHINE, "{}" * 200)
    RecordingWriter(path, clock, Subject("Wren", "C-007"), [document]).close()
    frames = _frames(path)
    header = frames[0]
    assert isinstance(header, records.RecordingHeader)
    assert (header.format_major, header.protocol_major) == (1, 1)
    assert header.machine.rstrip(b"\x00") == b"Wren"
    assert header.client_code.rstrip(b"\x00") == b"C-007"
    assert header.host_unix_ns == clock.unix_ns()
    assert header.recording_id[6] >> 4 == 4  # RFC 9562: version 4
    assert _kinds(path) == [
        "RecordingHeader",
        "RecordingDocument",
        "RecordingDocument",
        "RecordingDocument",
        "LinkChange",
    ]


def test_two_recordings_never_share_an_id(maker: RecordingMaker) -> None:
    headers = [_frames(maker.seconds(1))[0] for _ in range(2)]
    assert headers[0].recording_id != headers[1].recording_id  # type: ignore[attr-defined]


def test_device_bytes_are_in_the_file_untouched(maker: RecordingMaker) -> None:
    data = encoded(maker.source.second(0))
    with maker.open() as writer:
        for start in range(0, len(data), 77):
            writer.append_device_bytes(data[start : start + 77])
    assert data.replace(b"\x00", b"") in writer.path.read_bytes().replace(b"\x00", b"")
    samples = [f for f in _frames(writer.path) if isinstance(f, records.LoadSample)]
    assert len(samples) == 160


@settings(max_examples=60, deadline=None)
@given(sizes=st.lists(st.integers(1, 130), min_size=1, max_size=30), garbage=st.binary(max_size=50))
def test_host_frames_never_break_a_device_frame(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], garbage: bytes
) -> None:
    """However the stream is cut and whatever garbage is in it, host frames fit in between,
    and they and what follows them lie on the slot grid."""
    maker = RecordingMaker(tmp_path_factory.mktemp("w"))
    device = maker.source.second(0)[:12]
    half = encoded(device[:6])
    data = half + garbage + b"\x00" + encoded(device[6:])
    with maker.open() as writer:
        position = 0
        for index in range(1000):
            size = sizes[index % len(sizes)]
            writer.append_device_bytes(data[position : position + size])
            writer.annotate(str(index))
            position += size
            if position >= len(data):
                break
    whole = writer.path.read_bytes()
    events = StreamDecoder().feed(whole)
    found = [event for event in events if isinstance(event, Message)]
    assert [e.record for e in found if isinstance(e.record, type(device[0]))] == [
        frame for frame in device if isinstance(frame, type(device[0]))
    ]
    assert [e.record for e in found if isinstance(e.record, records.Annotation)][index].length
    host = [e for e in found if isinstance(e.record, (records.Annotation, records.LinkChange))]
    assert all(event.offset % SLOT_BYTES == 0 for event in host)
    assert len(whole) % SLOT_BYTES == 0


def test_after_garbage_the_grid_heals_with_the_next_batch(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        writer.append_device_bytes(encoded([maker.source.load(0)]))
        writer.append_device_bytes(b"garbage\x00" + encoded([maker.source.load(0)]))
        writer.append_device_bytes(encoded([maker.source.load(0)]))
    events = StreamDecoder().feed(writer.path.read_bytes())
    offsets = [
        event.offset % SLOT_BYTES
        for event in events
        if isinstance(event, Message) and isinstance(event.record, records.LoadSample)
    ]
    assert offsets == [0, 8, 0]


def test_a_lost_link_is_written_down_with_what_it_cost(maker: RecordingMaker) -> None:
    whole = encoded([maker.source.load(0)])
    cut = encoded([maker.source.load(0)])[:20]
    after = encoded([maker.source.load(0)])
    with maker.open() as writer:
        writer.link_opened()
        writer.append_device_bytes(whole + cut)
        writer.link_lost()
        maker.clock.advance_s(3)
        writer.link_opened()
        writer.append_device_bytes(after[9:] + after)
    frames = _frames(writer.path)
    assert _kinds(writer.path)[1:] == [
        "LinkChange",
        "LoadSample",
        "Annotation",
        "LinkChange",
        "LinkChange",
        "LoadSample",
        "Annotation",
        "LinkChange",
    ]
    changes = [frame for frame in frames if isinstance(frame, records.LinkChange)]
    assert [change.state for change in changes] == [1, 2, 1, 3]
    assert [change.openings_total for change in changes] == [1, 1, 2, 2]
    remarks = [f.text[: f.length] for f in frames if isinstance(f, records.Annotation)]
    assert remarks == [
        b"20 bytes of a broken frame left out at the end of this link",
        b"22 bytes of a broken frame left out at the start of this link",
    ]
    assert (writer.skipped_bytes_total, writer.dropped_bytes_total) == (22, 20)


def test_a_remark_that_is_too_long_is_refused_and_nothing_is_written(
    maker: RecordingMaker,
) -> None:
    with maker.open() as writer:
        before = writer.size_bytes
        with pytest.raises(RecordingFormatError, match="162 bytes"):
            writer.annotate("µ" * 81)
        assert writer.size_bytes == before
        writer.annotate("µ" * 80)


@pytest.mark.parametrize("subject", [Subject("x" * 17), Subject("Heron", "Clïent")])
def test_names_that_do_not_fit_are_refused_before_a_file_is_made(
    tmp_path: Path, clock: VirtualClock, subject: Subject
) -> None:
    with pytest.raises(RecordingFormatError, match="plain ASCII"):
        RecordingWriter(tmp_path / "a.steelyard", clock, subject)
    assert list(tmp_path.iterdir()) == []


def test_a_mark_that_cannot_be_encoded_is_the_programs_fault(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        mark = maker.source.mark(1, maker.clock)._replace(round_trip_us=-1)
        with pytest.raises(RecordingFormatError, match="round_trip_us"):
            writer.mark_time(mark)


def test_closing_twice_writes_one_end(maker: RecordingMaker) -> None:
    writer = maker.open()
    writer.close()
    size = writer.size_bytes
    writer.close()
    assert writer.size_bytes == size


def test_the_suffix_is_added_only_when_there_is_none() -> None:
    assert with_suffix(Path("x/visit")).name == "visit.steelyard"
    assert with_suffix(Path("x/visit.bin")).name == "visit.bin"


def _write_three_seconds(maker: RecordingMaker) -> RecordingWriter:
    with maker.open() as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        writer.link_opened()
        for second in range(3):
            writer.append_device_bytes(encoded(maker.source.second(second)))
            writer.mark_time(maker.source.mark(second + 1, maker.clock))
    return writer


def test_a_disk_full_at_every_write_in_turn(tmp_path: Path, mocker: MockerFixture) -> None:
    """Whichever write fails, half way through, what is there reads as a torn recording."""
    real_write = os.write
    calls = [0]
    mocker.patch(
        "steelyard.recording.append_file.os.write",
        side_effect=lambda fd, data: (calls.__setitem__(0, calls[0] + 1), real_write(fd, data))[1],
    )
    (tmp_path / "whole").mkdir()
    whole = _write_three_seconds(RecordingMaker(tmp_path / "whole")).path.read_bytes()
    writes = calls[0]
    assert writes > 8
    for failing in range(writes):
        folder = tmp_path / f"f{failing}"
        folder.mkdir()
        left = [failing]

        def write(fd: int, data: memoryview, left: list[int] = left) -> int:
            if left[0] > 0:
                left[0] -= 1
                return real_write(fd, data)
            if left[0] == 0 and len(data) > 1:
                left[0] -= 1
                return real_write(fd, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, "No space left on device")

        mocker.patch("steelyard.recording.append_file.os.write", side_effect=write)
        with pytest.raises(RecordingStorageError, match="No space left") as refused:
            _write_three_seconds(RecordingMaker(folder))
        assert ("MB are in it and stay" in refused.value.what) is (failing > 0)
        if failing == 0:
            # Not even the header: nothing stays that would be in the way of the next try.
            assert list(folder.iterdir()) == []
            continue
        (path,) = folder.iterdir()
        data = path.read_bytes()
        assert 0 < len(data) < len(whole)
        frames, corrupt, gaps = decoded(data)
        assert corrupt == []
        assert gaps == []
        if frames:
            report = validate(path)
            assert report.frames_good_total == len(frames)
            assert report.frames_bad_total == 0


def test_after_a_full_disk_closing_does_not_complain_again(
    maker: RecordingMaker, mocker: MockerFixture
) -> None:
    writer = maker.open()
    mocker.patch(
        "steelyard.recording.append_file.os.write", side_effect=OSError(errno.ENOSPC, "full")
    )
    with pytest.raises(RecordingStorageError):
        writer.annotate("lost")
    writer.close()


def test_an_unfinished_frame_waits_for_its_rest(source: FrameSource, maker: RecordingMaker) -> None:
    data = encoded([source.load(0)])
    with maker.open() as writer:
        assert writer.append_device_bytes(data[:13]) == 0
        size = writer.size_bytes
        assert writer.append_device_bytes(data[13:]) == 32
        assert writer.size_bytes == size + 32
