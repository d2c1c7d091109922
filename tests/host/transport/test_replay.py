"""Recordings played back as a port.  The recordings are made of protocol records here."""

from __future__ import annotations

import io
import time
from collections.abc import Iterable
from pathlib import Path

import pytest
from host.device.scripted_box import ScriptedBox, identity
from hypothesis import given
from hypothesis import strategies as st
from steelyard.device import Box, Poll
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceNotFoundError,
    DeviceRejectedError,
    DeviceStreamEndedError,
    PortNameError,
)
from steelyard.time_sync import ticks_difference_us
from steelyard.transport import Transport, open_transport
from steelyard.transport.replay import played_frames
from steelyard_protocol import records
from steelyard_protocol.codec import encode, padded_text
from steelyard_protocol.decoder import CorruptFrame, Message, StreamDecoder
from steelyard_protocol.messages import TICKS_PERIOD_US

RECORDED_UNIX_NS = 1_650_000_000_000_000_000


def header() -> records.RecordingHeader:
    label = padded_text("", 16)
    return records.RecordingHeader(
        1, 0, 1, 0, bytes(8), bytes(16), RECORDED_UNIX_NS, 0, label, label, label
    )


def recording(path: Path, parts: Iterable[bytes], *, box: ScriptedBox | None = None) -> str:
    """Write a recording: header, description of the box, then ``parts``."""
    described = b"".join(encode(item) for item in (box or ScriptedBox()).describe(77))
    path.write_bytes(encode(header()) + described + b"".join(parts))
    return f"replay:{path}?speed=max"


def play(port: str) -> tuple[Box, bytes, list[object]]:
    """Play a recording to its end."""
    box = Box.open(port)
    box.drain()
    raw, events = b"", []

    def keep(poll: Poll) -> None:
        nonlocal raw
        raw += poll.raw
        events.extend(poll.events)

    def keep_all() -> None:
        while True:
            keep(box.poll(1.0))

    with box:
        box.start_stream()
        with pytest.raises(DeviceStreamEndedError, match="at its end"):
            keep_all()
        keep(box.drain())
    return box, raw, events


def samples_of(events: list[object]) -> list[int]:
    found = [event.record for event in events if isinstance(event, Message)]
    return [item.sequence for item in found if isinstance(item, records.LoadSample)]


def test_plays_every_sample_and_knows_the_box(tmp_path: Path) -> None:
    port = recording(tmp_path / "r", [ScriptedBox().samples(500)])
    box, raw, events = play(port)
    assert box.description.name == "bench"
    assert samples_of(events) == list(range(1, 501))
    assert ScriptedBox().samples(500) in raw


def test_host_frames_and_old_answers_are_left_out(tmp_path: Path) -> None:
    box = ScriptedBox()
    mark = records.TimeMark(1111, 5, 6, 7, 8)
    old = records.Reply(3, 1111, 0x41, 0, 0)
    reading = records.ClockReading(4, 1111, 5, 6)
    parts = [box.samples(2), encode(mark), encode(old), encode(reading), box.samples(1)]
    _, _, events = play(recording(tmp_path / "r", parts))
    kinds = [type(event.record).__name__ for event in events if isinstance(event, Message)]
    assert kinds == ["Reply", "LoadSample", "LoadSample", "LoadSample"]


def test_damage_is_played_as_it_is_and_a_torn_end_is_not(tmp_path: Path) -> None:
    box = ScriptedBox()
    parts = [box.samples(1), b"damaged\x00", box.samples(1), box.samples(1)[:20]]
    _, raw, events = play(recording(tmp_path / "r", parts))
    assert b"damaged\x00" in raw
    assert [type(event) for event in events[1:]] == [Message, CorruptFrame, Message]


def test_time_goes_as_recorded_across_a_wrap(tmp_path: Path) -> None:
    box = ScriptedBox(now_us=TICKS_PERIOD_US - 3_000_000)
    port = open_transport(recording(tmp_path / "r", [box.samples(480)]))
    assert isinstance(port, Transport)
    with Box.open(port) as session:
        session.start_stream()
        session.drain()
        start_ns, first = port.clock.monotonic_ns(), None
        while True:
            try:
                poll = session.poll(0.1)
            except DeviceStreamEndedError:
                break
            for event in poll.events:
                if isinstance(event, Message) and isinstance(event.record, records.LoadSample):
                    first = event.record if first is None else first
                    last = event.record
            if poll.raw:
                played_us = (port.clock.monotonic_ns() - start_ns) // 1000
        assert first is not None
        recorded_us = ticks_difference_us(last.device_ticks_us, first.device_ticks_us)
        assert recorded_us == 479 * 12_500
        assert played_us == recorded_us
        wall_ns = port.clock.unix_ns() - RECORDED_UNIX_NS
        assert wall_ns == port.clock.monotonic_ns()


def test_real_speed_takes_real_time(tmp_path: Path) -> None:
    port = recording(tmp_path / "r", [ScriptedBox().samples(161)]).replace("max", "10")
    started = time.monotonic()
    play(port)
    assert time.monotonic() - started > 0.18  # 160 intervals of 12.5 ms, ten times as fast


def test_the_box_clock_agrees_with_the_samples(tmp_path: Path) -> None:
    with Box.open(recording(tmp_path / "r", [ScriptedBox().samples(200)])) as box:
        before = box.read_clock()
        box.start_stream()
        box.poll(1.0)
        after = box.read_clock()
        elapsed_us = ticks_difference_us(after.received_ticks_us, before.received_ticks_us)
        assert elapsed_us == (after.host_received_ns - before.host_received_ns) // 1000
        assert before.boot_id == 1111


def test_it_stands_still_until_started_and_after_stopping(tmp_path: Path) -> None:
    with Box.open(recording(tmp_path / "r", [ScriptedBox().samples(4)])) as box:
        box.drain()
        assert box.poll(5.0).raw == b""
        box.start_stream()
        box.stop_stream()
        assert samples_of(box.drain().events) == []
        assert box.poll(5.0).raw == b""
        box.start_stream()
        box.drain()
        # Time went on meanwhile, so all of it is due: nothing is lost, it comes late.
        assert samples_of(box.poll(0.0).events) == [1, 2, 3, 4]


def test_other_requests_are_refused(tmp_path: Path) -> None:
    with Box.open(recording(tmp_path / "r", [])) as box:
        with pytest.raises(DeviceRejectedError, match="not available"):
            box.run_self_test()


def test_a_reboot_in_the_recording_is_played(tmp_path: Path) -> None:
    box = ScriptedBox(now_us=900_000_000)
    parts = [box.samples(10)]
    box.reboot(2222)
    box.now_us = 0
    parts += [encode(item) for item in box.describe()] + [box.samples(10)]
    session, _, events = play(recording(tmp_path / "r", parts))
    assert session.counters.reboots_total == 1
    assert session.boot_id == 2222
    assert samples_of(events) == [*range(1, 11), *range(1, 11)]


@pytest.mark.parametrize(
    "text",
    ["replay:", "replay:?speed=1", "replay:f?speed=fast", "replay:f?speed=0", "replay:f?loop=1"],
)
def test_what_names_no_replay(text: str) -> None:
    with pytest.raises(PortNameError, match=r"^replay:"):
        open_transport(text)


def test_files_that_cannot_be_played(tmp_path: Path) -> None:
    with pytest.raises(DeviceNotFoundError, match="No such file"):
        open_transport(f"replay:{tmp_path / 'nothing'}")
    with pytest.raises(DeviceNotFoundError):
        open_transport(f"replay:{tmp_path}")
    empty = tmp_path / "empty"
    empty.write_bytes(encode(identity()))
    with pytest.raises(DeviceNotFoundError, match="no complete description"):
        open_transport(f"replay:{empty}")


def test_a_closed_replay_is_a_lost_link(tmp_path: Path) -> None:
    port = open_transport(recording(tmp_path / "r", []))
    port.close()
    port.close()
    with pytest.raises(DeviceDisconnectedError):
        port.read(0)
    with pytest.raises(DeviceDisconnectedError):
        port.write(b"\x00")


@given(st.lists(st.one_of(st.binary(max_size=40), st.just(ScriptedBox().samples(2)))))
def test_frames_are_the_file_without_its_empty_ones(parts: list[bytes]) -> None:
    data = b"".join(parts)
    frames = list(played_frames(io.BytesIO(data)))
    expected = [piece + b"\x00" for piece in data.split(b"\x00")[:-1] if piece]
    assert [frame.data for frame in frames] == expected
    decoded = [event for event in StreamDecoder().feed(data) if isinstance(event, Message)]
    assert [frame.record for frame in frames if frame.record] == [event.record for event in decoded]
