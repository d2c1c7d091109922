"""Decimation keeps every extreme, outages stay holes, and the picture shows them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from host.recording.ideal_box import BOOT, FrameSource, RecordingMaker, encoded
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import ExportError, RecordingFormatError
from steelyard.recording.envelope import coarser, envelope
from steelyard.recording.overview import make_overview
from steelyard.recording.overview_plot import draw_overview, with_holes
from steelyard.recording.reader import read_recording
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import SampleFlags

values = st.lists(st.integers(-(2**31) + 1, 2**31 - 1), min_size=1, max_size=200)


@given(values, st.lists(st.integers(1, 199), max_size=12), st.integers(0, 2**30))
def test_an_envelope_is_the_extremes_of_each_stretch(
    numbers: list[int], cuts: list[int], seed: int
) -> None:
    counts = np.array(numbers, np.int32)
    starts = np.array(sorted({0, *(cut for cut in cuts if cut < len(numbers))}))
    usable = np.random.default_rng(seed).random(len(numbers)) < 0.7
    found = envelope(counts, usable, starts)
    for index, (begin, end) in enumerate(zip(starts, [*starts[1:], len(numbers)], strict=True)):
        kept = counts[begin:end][usable[begin:end]]
        assert found.usable_total[index] == len(kept)
        assert found.unusable_total[index] == end - begin - len(kept)
        if len(kept):
            assert found.lowest[index] == kept.min()
            assert found.highest[index] == kept.max()
        else:
            assert np.isnan(found.lowest[index])
            assert np.isnan(found.highest[index])
    whole = coarser(found, np.array([0]))
    assert whole.usable_total[0] == usable.sum()
    if usable.any():
        assert whole.lowest[0] == counts[usable].min()
        assert whole.highest[0] == counts[usable].max()


def spiky(maker: RecordingMaker) -> tuple[Path, list[tuple[float, int]]]:
    """Two minutes with single-sample spikes up and down at known times."""
    source = maker.source
    spikes = []
    with maker.open() as writer:
        writer.describe_box(source.identity(), source.channels())
        writer.link_opened()
        for second in range(120):
            frames = source.second(second)
            if second % 17 == 3:
                place = 5 + second % 30 * 2
                counts = (900_000 + second) * (-1) ** second
                loads = [f for f in frames if getattr(f, "load_counts", None) is not None]
                chosen = loads[place]
                frames[frames.index(chosen)] = chosen._replace(load_counts=counts)
                spikes.append((chosen.sequence / 80, counts))
            writer.append_device_bytes(encoded(frames))
            maker.clock.advance_s(1)
            writer.mark_time(source.mark(second + 1, maker.clock))
    return writer.path, spikes


@pytest.mark.parametrize("columns", [500, 2000])
def test_a_spike_of_one_sample_is_seen_at_its_place(maker: RecordingMaker, columns: int) -> None:
    path, spikes = spiky(maker)
    found = make_overview(path, columns)
    assert found.duration_seconds == pytest.approx(120, abs=0.1)
    assert found.column_seconds == pytest.approx(120 / columns, rel=0.01)
    extremes: list[float] = []
    for channel in found.channels[:2]:
        assert len(channel.seconds) <= columns
        extremes += [*channel.counts.lowest.tolist(), *channel.counts.highest.tolist()]
        for seconds, counts in spikes:
            here = (channel.counts.lowest == counts) | (channel.counts.highest == counts)
            for start in channel.seconds[here].tolist():
                assert start - 0.02 <= seconds <= start + 1.2 * found.column_seconds + 0.02
    assert {counts for _, counts in spikes} <= set(extremes)


def test_totals_and_extremes_are_those_of_the_whole(maker: RecordingMaker) -> None:
    path, _ = spiky(maker)
    found, whole = make_overview(path, 37), read_recording(path)
    assert [(item.channel, item.kind) for item in found.channels] == [
        (0, "load"),
        (1, "load"),
        (2, "arm_angle"),
    ]
    for channel in found.channels:
        if channel.channel in whole.loads:
            counts = whole.loads[channel.channel].load_counts
        else:
            counts = whole.angles[channel.channel].angle_counts
        assert channel.counts.usable_total.sum() == len(counts)
        assert channel.counts.lowest.min() == counts.min()
        assert channel.counts.highest.max() == counts.max()
        assert (np.diff(channel.seconds) > 0).all()


def test_unsound_samples_are_counted_and_not_drawn(maker: RecordingMaker) -> None:
    source = maker.source
    with maker.open() as writer:
        writer.link_opened()
        frames = [source.load(0, counts=5) for _ in range(100)]
        frames += [source.load(0, SampleFlags.SATURATED_HIGH, (1 << 23) - 1) for _ in range(3)]
        frames += [source.load(0, SampleFlags.NO_CONVERSION, NO_COUNTS) for _ in range(4)]
        writer.append_device_bytes(encoded([*frames, source.status(1)]))
    (channel,) = make_overview(writer.path, 10).channels
    assert channel.counts.unusable_total.sum() == 7
    assert np.nanmax(channel.counts.highest) == 5
    assert channel.kind == "load_sample"  # no box described itself


def test_an_outage_is_a_hole_and_a_slow_channel_is_not(maker: RecordingMaker) -> None:
    source, clock = maker.source, maker.clock
    with maker.open() as writer:
        writer.link_opened()
        for second in range(20):
            if second == 8:
                writer.link_lost()
            if 8 <= second < 12:
                source.second(second)  # numbered, and never sent
            else:
                if second == 12:
                    writer.link_opened()
                writer.append_device_bytes(encoded(source.second(second)))
            clock.advance_s(1)
            writer.mark_time(source.mark(second + 1, clock))
    found = make_overview(writer.path, 2000)
    for channel in found.channels:
        seconds, low, _ = with_holes(channel, found.column_seconds)
        holes = seconds[np.isnan(low)]
        assert holes[0] == pytest.approx(8, abs=0.1)
        assert len(holes) == 2  # the outage and the end
    assert [text for _, text in found.remarks] == ["link lost"]
    assert found.remarks[0][0] == pytest.approx(8, abs=0.1)


def test_boots_without_time_marks_follow_one_another(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        writer.link_opened()
        for boot in range(3):
            source = FrameSource(boot_id=BOOT + boot, ticks_at_start_us=10**8 * (3 - boot))
            for second in range(2):
                writer.append_device_bytes(encoded(source.second(second)))
    found = make_overview(writer.path, 60)
    assert found.duration_seconds == pytest.approx(6, abs=0.1)
    assert sum(channel.counts.usable_total.sum() for channel in found.channels) == 3 * 720


def test_pictures(maker: RecordingMaker, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    found = make_overview(maker.seconds(5), 300)
    for name, start in (("a.png", b"\x89PNG"), ("a.svg", b"<?xml")):
        draw_overview(found, tmp_path / name)
        assert (tmp_path / name).read_bytes().startswith(start)
    with pytest.raises(ExportError, match="Make the folder first"):
        draw_overview(found, tmp_path / "none" / "a.png")
    with pytest.raises(ExportError, match="Could not write"):
        draw_overview(found, tmp_path / "a.nonsense")


def test_nothing_to_draw(maker: RecordingMaker, tmp_path: Path) -> None:
    maker.open().close()
    found = make_overview(maker.folder / "made-1.steelyard")
    assert (found.channels, found.duration_seconds) == ((), 0.0)
    with pytest.raises(ExportError, match="no samples"):
        draw_overview(found, tmp_path / "a.png")
    noise = tmp_path / "noise"
    noise.write_bytes(b"hello\x00")
    with pytest.raises(RecordingFormatError):
        make_overview(noise)
