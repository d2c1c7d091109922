"""Device bytes are cut at delimiters only; nothing is lost, nothing invented."""

from __future__ import annotations

from host.recording.ideal_box import FrameSource, encoded
from hypothesis import given
from hypothesis import strategies as st
from steelyard.recording.frame_cutter import TAIL_LIMIT_BYTES, FrameCutter


@given(st.binary(max_size=400), st.lists(st.integers(1, 60), min_size=1))
def test_any_cutting_gives_the_same_bytes(data: bytes, sizes: list[int]) -> None:
    whole, pieces = FrameCutter(), FrameCutter()
    expected = whole.feed(data)
    found, position, index = b"", 0, 0
    while position < len(data):
        size = sizes[index % len(sizes)]
        piece = pieces.feed(data[position : position + size])
        assert not piece or piece.endswith(b"\x00")
        found += piece
        position, index = position + size, index + 1
    assert found == expected
    assert pieces.skipped_bytes_total == whole.skipped_bytes_total
    assert pieces.lose_link() == whole.lose_link()


@given(st.binary(max_size=400))
def test_every_byte_is_passed_on_held_or_counted(data: bytes) -> None:
    cutter = FrameCutter()
    passed = cutter.feed(data)
    held = cutter.lose_link()
    delimiter_of_the_skipped = 1 if cutter.skipped_bytes_total else 0
    assert len(passed) + held + cutter.skipped_bytes_total + delimiter_of_the_skipped == len(data)
    assert held == cutter.dropped_bytes_total


def test_a_link_opened_between_frames_loses_nothing(source: FrameSource) -> None:
    data = encoded([source.load(0), source.load(1)])
    cutter = FrameCutter()
    assert cutter.feed(data) == data
    assert cutter.skipped_bytes_total == 0


def test_a_link_opened_inside_a_frame_skips_its_end_at_every_byte(source: FrameSource) -> None:
    data = encoded([source.load(0), source.load(0)])
    for start in range(1, 31):  # 31 is the first frame's delimiter
        cutter = FrameCutter()
        assert cutter.feed(data[start:]) == data[32:]
        assert cutter.skipped_bytes_total == 31 - start


def test_only_the_first_piece_of_a_link_may_be_skipped(source: FrameSource) -> None:
    good = encoded([source.load(0)])
    cutter = FrameCutter()
    cutter.feed(good)
    assert cutter.feed(b"broken\x00" + good) == b"broken\x00" + good
    assert cutter.skipped_bytes_total == 0


def test_after_a_lost_link_the_next_begins_anew(source: FrameSource) -> None:
    good = encoded([source.load(0)])
    cutter = FrameCutter()
    cutter.feed(good + good[:10])
    assert cutter.lose_link() == 10
    assert cutter.lose_link() == 0
    assert cutter.feed(good[20:] + good) == good
    assert cutter.skipped_bytes_total == 11
    assert cutter.dropped_bytes_total == 10


def test_garbage_without_a_delimiter_does_not_grow_for_ever(source: FrameSource) -> None:
    cutter = FrameCutter()
    cutter.feed(encoded([source.load(0)]))
    passed = b"".join(cutter.feed(b"x" * 1000) for _ in range(10))
    assert passed.replace(b"\x00", b"") == b"x" * len(passed.replace(b"\x00", b""))
    assert 10_000 - len(passed.replace(b"\x00", b"")) <= TAIL_LIMIT_BYTES
