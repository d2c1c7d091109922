"""A stretch out of a recording holds what the whole holds there, and is found by a few reads."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from host.recording.ideal_box import RecordingMaker, encoded
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture
from steelyard.errors import RecordingFormatError
from steelyard.recording import scan
from steelyard.recording.reader import Recording, read_recording
from steelyard.recording.span import RecordingSearch, read_span
from steelyard_protocol.records import DocumentKind

SECONDS = 90


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Recording]:
    path = RecordingMaker(tmp_path_factory.mktemp("long")).seconds(SECONDS)
    return path, read_recording(path)


@settings(max_examples=40, deadline=None)
@given(begin=st.floats(0, SECONDS + 5), length=st.floats(0.001, SECONDS))
def test_any_stretch(long: tuple[Path, Recording], begin: float, length: float) -> None:
    path, whole = long
    part = read_span(path, begin, begin + length)
    assert part.corrupt == ()
    assert part.header == whole.header
    assert part.channels == whole.channels
    assert part.identities == whole.identities
    for channel, samples in whole.loads.items():
        seconds = samples.sequence / 80
        own = part.loads[channel].sequence if channel in part.loads else np.empty(0)
        inside = samples.sequence[(seconds > begin) & (seconds < begin + length)]
        assert set(inside.tolist()) <= set(own.tolist())
        beyond = samples.sequence[(seconds < begin - 1.1) | (seconds > begin + length + 1.1)]
        assert not set(beyond.tolist()) & set(own.tolist())
        if len(own):
            chosen = slice(int(own[0]), int(own[-1]) + 1)
            assert np.array_equal(part.loads[channel].load_counts, samples.load_counts[chosen])
            assert np.array_equal(part.loads[channel].offsets, samples.offsets[chosen])


def test_host_times_are_those_of_the_whole(long: tuple[Path, Recording]) -> None:
    path, whole = long
    part = read_span(path, 40, 50).loads[0]
    same = whole.loads[0].host_unix_ns[int(part.sequence[0]) : int(part.sequence[-1]) + 1]
    assert np.abs(part.host_unix_ns - same).max() < 100_000


def test_it_reads_little(long: tuple[Path, Recording], mocker: MockerFixture) -> None:
    """Also of a recording a hundred times as long: bisection adds a probe for each doubling."""
    path, _ = long
    read = 0
    real = scan.read_chunks

    def counting(*words: object, **more: object) -> object:
        nonlocal read
        for chunk in real(*words, **more):  # type: ignore[arg-type]
            read += len(chunk)
            yield chunk

    mocker.patch("steelyard.recording.span.read_chunks", side_effect=counting)
    RecordingSearch(path).landmark_before(33)
    assert read < 65_536 + 20 * 16_384 * 2
    assert read < path.stat().st_size / 2


def test_documents_come_with_every_stretch(maker: RecordingMaker) -> None:
    from steelyard.recording.documents import Document

    document = Document(DocumentKind.CALIBRATION, "x" * 5000)
    with maker.open(documents=[document]) as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        writer.link_opened()
        for second in range(10):
            writer.append_device_bytes(encoded(maker.source.second(second)))
            maker.clock.advance_s(1)
            writer.mark_time(maker.source.mark(second + 1, maker.clock))
    assert read_span(writer.path, 5, 6).documents == (document,)


def test_without_landmarks_a_stretch_is_the_whole(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        for second in range(5):
            writer.append_device_bytes(encoded(maker.source.second(second)))
        maker.clock.advance_s(5)
    part = read_span(writer.path, 1, 2)
    assert len(part.loads[0]) == 400


def test_damage_around_the_stretch_does_not_matter(
    long: tuple[Path, Recording], tmp_path: Path
) -> None:
    path, _ = long
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 40_000] = b"\x55" * 40_000
    damaged = tmp_path / "damaged.steelyard"
    damaged.write_bytes(data)
    part = read_span(damaged, 10, 20)
    assert part.corrupt == ()
    assert len(part.loads[0]) == pytest.approx(880, abs=81)


@pytest.mark.parametrize(("begin", "end"), [(3, 3), (5, 2), (float("nan"), 1)])
def test_a_stretch_without_length_is_refused(
    long: tuple[Path, Recording], begin: float, end: float
) -> None:
    with pytest.raises(RecordingFormatError, match="is none"):
        read_span(long[0], begin, end)
