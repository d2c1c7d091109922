"""Any bytes whatever give a report or a plain error, and the counts of the streaming decoder."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from host.recording.ideal_box import BOOT, FrameSource, RecordingMaker, VirtualClock, encoded
from hypothesis import given, settings
from hypothesis import strategies as st
from steelyard.errors import RecordingFormatError, RecordingStorageError, SteelyardError
from steelyard.recording.file_format import Subject, new_header
from steelyard.recording.validator import validate
from steelyard_protocol import codec, records
from steelyard_protocol.decoder import CorruptFrame, Message, StreamDecoder
from steelyard_protocol.layout import FieldLayout, layouts_by_id


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(RecordingStorageError, match="There is no file"):
        validate(tmp_path / "none.steelyard")
    with pytest.raises(RecordingStorageError, match="is a folder"):
        validate(tmp_path)
    empty = tmp_path / "empty.steelyard"
    empty.touch()
    with pytest.raises(RecordingFormatError, match="empty"):
        validate(empty)
    text = tmp_path / "text.steelyard"
    text.write_text("no recording at all\n" * 500)
    with pytest.raises(RecordingFormatError, match="no sound frame in its 10000 bytes"):
        validate(text)


@settings(max_examples=150, deadline=None)
@given(data=st.binary(min_size=1, max_size=2000))
def test_any_bytes_give_a_report_or_a_plain_error(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "any.steelyard"
    path.write_bytes(data)
    with pytest.raises(RecordingFormatError):  # random bytes never hold a sound frame
        validate(path)


_SMALL: list[bytes] = []


def _small_recording(factory: pytest.TempPathFactory) -> bytes:
    if not _SMALL:
        _SMALL.append(RecordingMaker(factory.mktemp("small")).seconds(1).read_bytes())
    return _SMALL[0]


@settings(max_examples=150, deadline=None)
@given(
    edits=st.lists(
        st.tuples(st.integers(0, 20_000), st.integers(0, 200), st.binary(max_size=60)), max_size=6
    )
)
def test_any_damage_gives_the_counts_of_the_streaming_decoder(
    tmp_path_factory: pytest.TempPathFactory, edits: list[tuple[int, int, bytes]]
) -> None:
    data = _small_recording(tmp_path_factory)
    for start, length, replacement in edits:
        start %= len(data) + 1  # noqa: PLW2901
        data = data[:start] + replacement + data[start + length :]
    path = tmp_path_factory.mktemp("edited") / "edited.steelyard"
    path.write_bytes(data)
    events = StreamDecoder().feed(data)
    good = [event for event in events if isinstance(event, Message)]
    bad = [event for event in events if isinstance(event, CorruptFrame)]
    try:
        report = validate(path)
    except SteelyardError:
        assert not good
        return
    assert report.frames_good_total == len(good)
    assert report.frames_bad_total == len(bad)
    assert report.garbage_bytes_total == sum(event.length for event in bad)
    assert report.torn_tail_bytes == len(data) - data.rfind(b"\x00") - 1
    json.loads(report.to_json())
    assert report.lines()


def _numbers(item: FieldLayout) -> st.SearchStrategy[int]:
    return st.sampled_from([item.low, item.high, (item.low + item.high) // 2])


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_any_sound_frames_in_any_order_give_a_report(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Sound frames may say anything: extreme numbers, times that run backwards, no header."""
    source = FrameSource()
    base: list[records.Record] = [
        new_header(Subject(), VirtualClock()),
        source.load(0),
        source.angle(),
        source.status(1),
        source.event(1, 1),
        source.identity(),
        *source.channels(),
        records.TimeMark(BOOT, 1, 2, 3, 4),
        records.LinkChange(1, 2, 1, 1),
        records.Annotation(1, 2, 1, 3, b"abc".ljust(160, b"\x00")),
        records.RecordingDocument(1, 0, 0, 1, 2, b"{}".ljust(192, b"\x00")),
    ]
    frames = []
    for record in data.draw(st.lists(st.sampled_from(base), min_size=1, max_size=25)):
        layout = layouts_by_id()[codec.message_id(record)]
        changed = {
            item.name: data.draw(_numbers(item))
            for item in layout.fields
            if not item.is_bytes and not item.is_array and data.draw(st.booleans())
        }
        frames.append(record._replace(**changed))
    path = tmp_path_factory.mktemp("frames") / "frames.steelyard"
    path.write_bytes(encoded(frames))
    report = validate(path)
    assert report.frames_good_total == len(frames)
    assert report.frames_bad_total == 0
    assert report.lines()
