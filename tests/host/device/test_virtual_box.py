"""Sessions with the virtual box, which runs the real firmware."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

import pytest
from steelyard.device import Box, Reboot
from steelyard.errors import DeviceDisconnectedError, DeviceRejectedError, DeviceStreamEndedError
from steelyard.time_sync import ClockMark, ClockModel, TickUnwrapper
from steelyard.transport.reconnecting import ReconnectingLink
from steelyard_protocol import records
from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder
from steelyard_protocol.records import ChannelKind, LinkState, SettingKey

PORT = "sim:heron?speed=max&seed=3"


def test_describes_itself_and_streams_without_loss() -> None:
    with Box.open(PORT) as box:
        assert len(box.description.channels_of(ChannelKind.LOAD)) == 2
        box.start_stream()
        start_ns = box.transport.clock.monotonic_ns()
        kinds: dict[type, int] = {}
        while box.transport.clock.monotonic_ns() - start_ns < 5_000_000_000:
            for event in box.poll(0.1).events:
                assert not isinstance(event, (CorruptFrame, Gap))
                if isinstance(event, Message):
                    kinds[type(event.record)] = kinds.get(type(event.record), 0) + 1
        box.stop_stream()
    assert 5 * 2 * 78 < kinds[records.LoadSample] < 5 * 2 * 96  # two chips at 80 to 94 a second
    assert 5 * 200 < kinds[records.AngleSample] < 5 * 230
    assert kinds[records.Status] >= 5


def test_settings_and_self_test() -> None:
    with Box.open(PORT) as box:
        assert box.write_setting(SettingKey.BOX_NAME, text="bench 4").text == b"bench 4".ljust(
            16, b"\0"
        )
        assert box.identify().name == "bench 4"
        results = box.run_self_test()
        assert [item.channel for item in results] == [item.channel for item in box.channels]
        assert [item.findings for item in results] == [0] * len(results)
        with pytest.raises(DeviceRejectedError, match="out of range"):
            box.write_setting(SettingKey.STATUS_PERIOD_MS, number=-4)
        box.start_stream()
        with pytest.raises(DeviceRejectedError, match="Stop the stream first"):
            box.run_self_test()


@pytest.mark.parametrize("clock_ppm", [-40.0, 40.0])
def test_clock_drift_is_recovered(clock_ppm: float) -> None:
    unwrapper, model = TickUnwrapper(), ClockModel()
    with Box.open(f"{PORT}&drift={clock_ppm}") as box:
        for _ in range(60):
            mark = box.read_clock().time_mark()
            device_us = unwrapper.unwrap(mark.boot_id, mark.device_ticks_us)
            model.add(
                ClockMark(
                    mark.boot_id,
                    device_us,
                    mark.host_monotonic_ns,
                    mark.host_unix_ns,
                    mark.round_trip_us,
                )
            )
            deadline = box.transport.clock.monotonic_ns() + 1_000_000_000
            while box.transport.clock.monotonic_ns() < deadline:
                box.poll(0.5)
        assert box.boot_id is not None
        (fit,) = model.fits(box.boot_id)
    assert fit.device_fast_ppm == pytest.approx(clock_ppm, abs=3)
    assert abs(fit.device_fast_ppm - clock_ppm) < 3 * fit.device_fast_ppm_uncertainty


def test_an_unplugged_virtual_box_is_joined_again() -> None:
    link = ReconnectingLink(f"{PORT}&faults=unplug@3+2")
    states, boots = [], set()
    while link.clock.monotonic_ns() - 1_000_000_000_000 < 8_000_000_000 or len(states) < 3:
        states += [report.state for report in link.advance(0.5)]
        if link.transport is None:
            continue
        try:
            box = Box.open(link.transport)
            boots.add(box.boot_id)
            box.start_stream()
            while link.clock.monotonic_ns() - 1_000_000_000_000 < 8_000_000_000:
                assert not any(isinstance(event, Reboot) for event in box.poll(0.2).events)
            break
        except DeviceDisconnectedError as error:
            states += [report.state for report in link.lost(error)]
    states += [report.state for report in link.finish()]
    assert states == [LinkState.OPENED, LinkState.LOST, LinkState.OPENED, LinkState.CLOSED]
    assert len(boots) == 2  # the cable carries the power too, so the box started anew


def test_what_it_sent_can_be_played_back(tmp_path: Path) -> None:
    with Box.open(PORT) as box:
        box.start_stream()
        start_ns = box.transport.clock.monotonic_ns()
        raw = b""
        while box.transport.clock.monotonic_ns() - start_ns < 3_000_000_000:
            raw += box.poll(0.1).raw
    file = tmp_path / "stream"
    file.write_bytes(raw)
    sent = samples_in(StreamDecoder().feed(raw))
    played: list[records.LoadSample] = []
    with Box.open(f"replay:{file}?speed=max") as again:
        assert again.description.box_id == box.description.box_id
        again.start_stream()
        with suppress(DeviceStreamEndedError):
            while True:
                played += samples_in(again.poll(1.0).events)
    assert len(played) > 400
    assert played == sent


def samples_in(events: Iterable[object]) -> list[records.LoadSample]:
    found = [event.record for event in events if isinstance(event, Message)]
    return [record for record in found if isinstance(record, records.LoadSample)]
