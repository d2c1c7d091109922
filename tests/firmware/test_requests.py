"""Every request, answered through the port as the host sees it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from firmware.rig import Files, Rig
from steelyard_protocol import codec, records
from steelyard_protocol.codec import padded_text, plain_text
from steelyard_protocol.frame import encode_frame
from steelyard_protocol.records import EventKind, Outcome, SettingKey

BOX = 255
NO_TEXT = bytes(16)


def test_identify(rig: Rig) -> None:
    identity, *descriptions = rig.ask(records.Identify(correlation_id=9))
    assert identity.correlation_id == 9
    assert identity.box_id == b"STANDIN1"
    assert identity.boot_id == 77
    assert identity.ticks_period_us == 1 << 30
    assert identity.channel_count == len(descriptions) == 4
    assert plain_text(identity.board) == "pico"
    assert [item.channel for item in descriptions] == [0, 1, 2, 3]
    assert {item.correlation_id for item in descriptions} == {9}
    assert [item.kind for item in descriptions] == [1, 1, 2, 3]
    assert [item.angle_channel for item in descriptions] == [2, 2, BOX, BOX]
    assert [item.counts_per_turn for item in descriptions] == [0, 0, 4096, 78643]
    assert [item.nominal_rate_millihertz for item in descriptions] == [80000, 80000, 200000, 20000]


def test_a_box_introduces_itself_unasked_when_it_starts(make_rig: Callable[..., Rig]) -> None:
    rig = make_rig(boot_id=123)
    rig.run_ms(50)
    found = rig.take()
    assert isinstance(found[0], records.Identity)
    assert (found[0].correlation_id, found[0].boot_id) == (0, 123)
    assert [type(record).__name__ for record in found[1:6]] == ["ChannelDescription"] * 4 + [
        "Status"
    ]


def test_start_and_stop_are_safe_to_repeat(rig: Rig) -> None:
    for correlation_id in (5, 5, 6):
        answers = rig.ask(records.StartStream(correlation_id))
        assert answers[-1] == records.Reply(correlation_id, 77, 0x41, Outcome.DONE, 0)
        events = [answer for answer in answers if isinstance(answer, records.Event)]
        assert len(events) == (1 if correlation_id == 5 and events else 0)
    assert rig.load_samples(100)
    for correlation_id in (7, 7):
        answers = rig.ask(records.StopStream(correlation_id))
        assert answers[-1].outcome == Outcome.DONE
    assert rig.load_samples(100) == []


def test_stream_events_come_once(rig: Rig) -> None:
    rig.send(records.StartStream(1), records.StartStream(1), records.StopStream(2))
    rig.run_ms(20)
    kinds = [record.kind for record in rig.take() if isinstance(record, records.Event)]
    assert kinds == [EventKind.STREAM_STARTED, EventKind.STREAM_STOPPED]


def test_read_clock_brackets_the_moment(rig: Rig) -> None:
    before = rig.clock.ticks_us()
    (reading,) = rig.ask(records.ReadClock(3))
    assert reading.correlation_id == 3
    assert before <= reading.received_ticks_us <= reading.sent_ticks_us
    assert reading.sent_ticks_us - before < 2000


def test_a_setting_is_written_read_and_kept(make_rig: Callable[..., Rig]) -> None:
    files = Files()
    rig = make_rig(files=files)
    rig.run_ms(100)
    rig.take()
    name = padded_text("Wren 2", 16)
    (written,) = rig.ask(records.WriteSetting(4, SettingKey.BOX_NAME, BOX, 0, name))
    assert (written.correlation_id, written.text) == (4, name)
    reborn = make_rig(files=files, boot_id=78)
    reborn.run_ms(100)
    assert reborn.take()[0].box_name == name
    (read,) = reborn.ask(records.ReadSetting(5, SettingKey.BOX_NAME, BOX))
    assert (read.boot_id, read.text) == (78, name)


def test_new_settings_take_effect_at_once(rig: Rig) -> None:
    rig.ask(records.WriteSetting(1, SettingKey.ANGLE_RATE_MILLIHERTZ, 2, 100_000, NO_TEXT))
    rig.ask(records.WriteSetting(2, SettingKey.STATUS_PERIOD_MS, BOX, 100, NO_TEXT))
    rig.ask(records.WriteSetting(3, SettingKey.LOAD_GAIN, 0, 64, NO_TEXT))
    assert len(rig.collect(records.Status, 1000)) == 10
    description = rig.ask(records.Identify(4))[1]
    assert description.gain == 64
    rig.start()
    angles = rig.collect(records.AngleSample, 1000)
    assert len([sample for sample in angles if sample.channel == 2]) == pytest.approx(100, abs=1)
    # The same load gives half the counts at half the gain.
    loads = rig.collect(records.LoadSample, 500)
    mean = {
        channel: sum(s.load_counts for s in loads if s.channel == channel)
        / sum(1 for s in loads if s.channel == channel)
        for channel in (0, 1)
    }
    assert mean[1] / mean[0] == pytest.approx(4, rel=1e-3)  # twice the ratio, twice the gain


def test_a_write_is_refused_while_streaming_and_changes_nothing(rig: Rig) -> None:
    rig.start()
    request = records.WriteSetting(8, SettingKey.LOAD_GAIN, 0, 64, NO_TEXT)
    (reply,) = rig.ask(request)
    assert reply == records.Reply(8, 77, 0x45, Outcome.REFUSED_WHILE_STREAMING, 0)
    (setting,) = rig.ask(records.ReadSetting(9, SettingKey.LOAD_GAIN, 0))
    assert setting.number == 128
    assert rig.files.writes_total == 0


@pytest.mark.parametrize(
    ("request_record", "outcome", "detail"),
    [
        (records.ReadSetting(1, 99, BOX), Outcome.BAD_ARGUMENT, 99),
        (records.ReadSetting(1, SettingKey.LOAD_GAIN, 3), Outcome.BAD_ARGUMENT, 3),
        (
            records.WriteSetting(1, SettingKey.STATUS_PERIOD_MS, BOX, 5000, NO_TEXT),
            Outcome.BAD_ARGUMENT,
            5000,
        ),
    ],
)
def test_bad_arguments(rig: Rig, request_record: Any, outcome: int, detail: int) -> None:
    (reply,) = rig.ask(request_record)
    assert (reply.correlation_id, reply.outcome, reply.detail) == (1, outcome, detail)


def test_storage_that_fails_is_said(rig: Rig) -> None:
    rig.files.failing = True
    (reply,) = rig.ask(records.WriteSetting(1, SettingKey.LOAD_GAIN, 0, 64, NO_TEXT))
    assert reply.outcome == Outcome.STORAGE_FAILED


def test_an_unknown_request_is_answered(rig: Rig) -> None:
    rig.port.to_box += encode_frame(bytes([0x6F, 0x34, 0x12, 1, 2, 3]))
    rig.run_ms(20)
    replies = [record for record in rig.take() if isinstance(record, records.Reply)]
    assert replies == [records.Reply(0x1234, 77, 0x6F, Outcome.UNKNOWN_REQUEST, 0)]


@pytest.mark.parametrize(
    "payload",
    [
        bytes([0x40, 1, 0, 0]),  # identify with a byte too many
        bytes([0x45, 1, 0, 1]),  # write_setting cut short
        bytes([0x6F, 1]),  # no correlation id to answer with
        bytes([0x07, 1, 0, 2, 0, 0, 0, 0x41, 0, 0, 0, 0, 0]),  # a reply, as from an echo
        bytes([0x83, 1, 0]),
    ],
)
def test_what_is_no_request_is_counted_and_not_answered(rig: Rig, payload: bytes) -> None:
    frame = encode_frame(payload)
    rig.port.to_box += frame
    rig.run_ms(20)
    assert [record for record in rig.take() if not isinstance(record, records.Status)] == []
    status = rig.status()
    assert status.requests_total == 0
    assert status.garbage_bytes_total == len(payload) + 6


def test_garbage_between_requests_costs_nothing_but_itself(rig: Rig) -> None:
    rig.port.to_box += b"AT+CGMI\r\n\x00" + codec.encode(records.ReadClock(1))
    rig.port.to_box += b"\xff" * 300 + b"\x00" + codec.encode(records.ReadClock(2))
    rig.run_ms(50)
    readings = [r for r in rig.take() if isinstance(r, records.ClockReading)]
    assert [reading.correlation_id for reading in readings] == [1, 2]
    assert rig.status().garbage_bytes_total == 10 + 301


def test_requests_wait_for_room_and_none_is_lost(make_rig: Callable[..., Rig]) -> None:
    rig = make_rig(slots=8)
    rig.run_ms(100)
    for correlation_id in range(1, 31):
        rig.send(records.Identify(correlation_id))
    rig.run_ms(200)
    answered = []
    for _ in range(200):
        answered += [r.correlation_id for r in rig.take() if isinstance(r, records.Identity)]
        rig.run_ms(5)
    assert answered == [0, *range(1, 31)]


def test_self_test_of_a_sound_box(rig: Rig) -> None:
    results = rig.ask(records.RunSelfTest(11), wait_ms=1200)
    assert [result.channel for result in results] == [0, 1, 2, 3]
    assert [result.findings for result in results] == [0, 0, 0, 0]
    assert {result.correlation_id for result in results} == {11}
    assert results[0].measured_rate_millihertz == pytest.approx(86_400, rel=0.001)
    assert results[1].measured_rate_millihertz == pytest.approx(88_800, rel=0.001)
    assert results[2].measured_rate_millihertz == pytest.approx(200_000, rel=0.001)
    assert results[0].counts_minimum < results[0].counts_mean < results[0].counts_maximum
    # Half a millivolt a volt at gain 128: 0.0005 * 128 * 2**24 counts (HX711 data sheet).
    assert results[0].counts_mean == pytest.approx(0.0005 * 128 * 2**24, abs=50)


def test_self_test_right_after_the_start_does_not_call_settling_noise(
    make_rig: Callable[..., Rig],
) -> None:
    # The first four conversions climb to the load: no noise, and no force either.
    rig = make_rig()
    results = [
        item
        for item in rig.ask(records.RunSelfTest(1), wait_ms=1300)
        if isinstance(item, records.SelfTestResult)
    ]
    assert [result.findings for result in results] == [0, 0, 0, 0]
    counts = results[0].counts_maximum - results[0].counts_minimum
    assert counts < 600  # the noise of settled readings, not the climb of a million counts
    assert results[0].measured_rate_millihertz == pytest.approx(86_400, rel=0.001)


def test_a_repeated_self_test_is_not_run_twice(rig: Rig) -> None:
    rig.send(records.RunSelfTest(11))
    rig.run_ms(500)
    rig.send(records.RunSelfTest(11))
    (busy,) = rig.ask(records.RunSelfTest(12))
    assert (busy.correlation_id, busy.outcome) == (12, Outcome.NOT_AVAILABLE)
    first = rig.ask(records.ReadClock(1), wait_ms=700)
    again = rig.ask(records.RunSelfTest(11), wait_ms=50)
    assert [item for item in first if isinstance(item, records.SelfTestResult)] == again
    assert len(again) == 4


def test_self_test_and_stream_exclude_each_other(rig: Rig) -> None:
    rig.send(records.RunSelfTest(1))
    rig.run_ms(100)
    (reply,) = rig.ask(records.StartStream(2))
    assert reply.outcome == Outcome.NOT_AVAILABLE
    rig.run_ms(1200)
    rig.start()
    (reply,) = rig.ask(records.RunSelfTest(3))
    assert reply.outcome == Outcome.REFUSED_WHILE_STREAMING


def _silence(rig: Rig) -> None:
    rig.bench.amplifiers[0].power_off()


def _tie_low(rig: Rig) -> None:
    rig.machine.Pin.wire(2).hold(0)


def _saturate(rig: Rig) -> None:
    rig.feel.ratios[0] = 1.0


def _quiet(rig: Rig) -> None:
    rig.bench.amplifiers[0]._gauss = None


def _ten_a_second(rig: Rig) -> None:
    rig.bench.amplifiers[0].clock_error = -0.3


def _shake(rig: Rig) -> None:
    rig.feel.bridge_ratio = lambda index, at_us: 0.0005 + (at_us % 100_000) * 1e-9  # type: ignore[method-assign]


def _unplug_angle(rig: Rig) -> None:
    rig.bench.angle_wires.failing = True


def _no_magnet(rig: Rig) -> None:
    rig.bench.angle_sensor.field = 0.0


def _open_wiper(rig: Rig) -> None:
    rig.bench.roller.open_wiper = True


@pytest.mark.parametrize(
    ("fault", "channel", "finding"),
    [
        (_silence, 0, records.SelfTestFindings.NO_CONVERSION),
        (_tie_low, 0, records.SelfTestFindings.DESYNC),
        (_saturate, 0, records.SelfTestFindings.SATURATED | records.SelfTestFindings.STUCK),
        (_quiet, 0, records.SelfTestFindings.STUCK),
        (_ten_a_second, 0, records.SelfTestFindings.WRONG_RATE),
        (_shake, 0, records.SelfTestFindings.NOISY),
        (_unplug_angle, 2, records.SelfTestFindings.BUS_ERROR),
        (_no_magnet, 2, records.SelfTestFindings.MAGNET_FAULT),
        (_open_wiper, 3, records.SelfTestFindings.OPEN_CIRCUIT),
    ],
)
def test_self_test_finds_each_fault(
    rig: Rig, fault: Callable[[Rig], None], channel: int, finding: int
) -> None:
    fault(rig)
    rig.run_ms(300)
    rig.take()
    results = rig.ask(records.RunSelfTest(1), wait_ms=1400)
    results = [item for item in results if isinstance(item, records.SelfTestResult)]
    assert results[channel].findings == finding
    others = [item for item in results if item.channel != channel]
    if fault is not _shake:
        assert {item.findings for item in others} == {0}
