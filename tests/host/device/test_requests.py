"""Requests: retried without harm, refused in words, never at the cost of the stream."""

from __future__ import annotations

import pytest
from host.device.scripted_box import BOX_ID, ScriptedBox, ScriptedPort
from steelyard.device import Box, Reboot
from steelyard.device.correlation import CorrelationIds
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceRejectedError,
    DeviceTimeoutError,
    WrongDeviceError,
)
from steelyard_protocol import records
from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder
from steelyard_protocol.frame import encode_frame
from steelyard_protocol.records import Outcome, SettingKey


@pytest.fixture
def port() -> ScriptedPort:
    return ScriptedPort(ScriptedBox())


@pytest.fixture
def box(port: ScriptedPort) -> Box:
    opened = Box.open(port)
    port.box.requests.clear()
    opened.drain()
    return opened


def test_start_and_stop(box: Box, port: ScriptedPort) -> None:
    box.start_stream()
    assert port.box.streaming
    box.stop_stream()
    assert not port.box.streaming


def test_a_lost_answer_is_asked_for_again_with_the_same_id(box: Box, port: ScriptedPort) -> None:
    port.box.drop_answers = 2
    box.start_stream()
    ids = {request.correlation_id for request in port.box.requests}  # type: ignore[union-attr]
    assert len(port.box.requests) == 3
    assert len(ids) == 1


def test_a_damaged_answer_is_asked_for_again(box: Box, port: ScriptedPort) -> None:
    port.box.corrupt_answers = 1
    box.start_stream()
    assert box.counters.corrupt_frames_total == 1
    assert box.counters.retries_total == 1


def test_no_answer_at_all_says_how_long_was_waited(box: Box, port: ScriptedPort) -> None:
    port.box.drop_answers = 99
    started = port.clock.now_ns
    with pytest.raises(DeviceTimeoutError, match=r"StartStream within 2 s"):
        box.start_stream()
    assert port.clock.now_ns - started == 2_000_000_000


@pytest.mark.parametrize("outcome", [item for item in Outcome if item != Outcome.DONE])
def test_each_refusal_has_its_own_words(box: Box, port: ScriptedPort, outcome: Outcome) -> None:
    port.box.refuse_with = outcome
    with pytest.raises(DeviceRejectedError, match="refused WriteSetting") as caught:
        box.write_setting(SettingKey.STATUS_PERIOD_MS, number=1)
    assert caught.value.outcome == outcome
    assert caught.value.detail == 7
    assert "does not know" not in str(caught.value) or outcome == Outcome.UNKNOWN_REQUEST


def test_a_refusal_unknown_to_this_program_is_still_a_refusal(box: Box, port: ScriptedPort) -> None:
    port.box.refuse_with = 77  # type: ignore[assignment]
    with pytest.raises(DeviceRejectedError, match="outcome 77"):
        box.run_self_test()


def test_settings_are_written_and_read(box: Box) -> None:
    assert box.write_setting(SettingKey.OVERLOAD_COUNTS, 0, number=-5).number == -5
    assert box.read_setting(SettingKey.OVERLOAD_COUNTS, 0).number == -5


def test_self_test_gives_each_channel_once_even_when_answered_twice(
    box: Box, port: ScriptedPort
) -> None:
    port.delay_ns = 4_500_000_000  # longer than one attempt waits
    results = box.run_self_test()
    assert [result.channel for result in results] == [0, 1]


def test_clock_exchange_is_exact_for_equal_delays(box: Box, port: ScriptedPort) -> None:
    exchange = box.read_clock()
    mark = exchange.time_mark()
    assert exchange.host_received_ns - exchange.host_sent_ns == port.delay_ns
    assert exchange.round_trip_us == port.delay_ns // 1000 - 40
    # The scripted box reads its clock half way and says it answered 40 us later.
    assert mark.device_ticks_us - 20 == (mark.host_monotonic_ns // 1000) % (1 << 30)


def test_a_late_clock_answer_is_not_taken_for_the_next_one(box: Box, port: ScriptedPort) -> None:
    port.delay_ns = 700_000_000  # later than the first attempt waits
    with pytest.raises(DeviceTimeoutError):
        box.read_clock()
    port.delay_ns = 1_000_000
    exchange = box.read_clock()
    arrived_us = (exchange.host_sent_ns + port.delay_ns // 2) // 1000
    assert exchange.received_ticks_us == arrived_us % (1 << 30)


def test_samples_that_come_while_a_request_waits_are_not_lost(box: Box, port: ScriptedPort) -> None:
    samples = port.box.samples(10)
    port.send(samples)
    box.start_stream()
    poll = box.poll(0)
    assert poll.raw.startswith(samples)
    sequences = [
        event.record.sequence
        for event in poll.events
        if isinstance(event, Message) and isinstance(event.record, records.LoadSample)
    ]
    assert sequences == list(range(1, 11))


def test_events_are_what_the_raw_bytes_say_however_they_come(box: Box, port: ScriptedPort) -> None:
    box.start_stream()
    first = box.drain()
    stream = port.box.samples(3) + b"nonsense\x00" + encode_frame(b"\x3fnew kind")
    port.box.sequence += 4
    stream += port.box.samples(2)
    for position in range(0, len(stream), 7):
        port.send(stream[position : position + 7])
    raw, events = b"", []
    while poll := box.poll(0.001):
        if not poll.raw:
            break
        raw += poll.raw
        events += poll.events
    assert raw == stream
    offset = box.counters.bytes_total - len(stream)
    expected = StreamDecoder().feed(stream)
    shifted = [event._replace(offset=event.offset + offset) for event in expected]
    assert events == shifted
    assert isinstance(first.events[0], Message)
    assert box.counters.corrupt_frames_total == 1
    assert box.counters.unknown_messages_total == 1
    assert box.counters.missing_total == 4
    assert [event.missing for event in events if isinstance(event, Gap)] == [4]
    assert [event.reason for event in events if isinstance(event, CorruptFrame)]


def test_a_reboot_behind_the_open_link_is_an_event(box: Box, port: ScriptedPort) -> None:
    port.send(port.box.samples(2))
    port.box.reboot(2222)
    port.send(port.box.samples(1))
    events = box.poll(0).events + box.poll(0).events
    reboots = [event for event in events if isinstance(event, Reboot)]
    assert [(event.former_boot_id, event.boot_id) for event in reboots] == [(1111, 2222)]
    assert box.boot_id == 2222
    assert box.counters.reboots_total == 1
    assert box.identify().identity.boot_id == 2222


def test_another_box_behind_the_same_link_is_refused(box: Box, port: ScriptedPort) -> None:
    port.box.identity = port.box.identity._replace(box_id=b"another!")
    with pytest.raises(WrongDeviceError):
        box.identify()
    assert box.description.box_id == BOX_ID


def test_an_unplug_in_the_middle_of_a_request_leaves_what_came(
    box: Box, port: ScriptedPort
) -> None:
    samples = port.box.samples(5)
    port.send(samples)
    port.box.deaf = True
    original = port.write

    def write_then_unplug(data: bytes) -> None:
        original(data)
        port.fail_with = DeviceDisconnectedError("The link is gone.")

    port.write = write_then_unplug  # type: ignore[method-assign]
    with pytest.raises(DeviceDisconnectedError):
        box.start_stream()
    assert box.drain().raw == samples
    with pytest.raises(DeviceDisconnectedError):
        box.poll(0)


def test_with_block_closes_the_port(port: ScriptedPort) -> None:
    with Box.open(port):
        assert not port.closed
    assert port.closed


def test_correlation_ids_go_through_all_but_zero() -> None:
    ids = CorrelationIds(first=65_530)
    taken = [ids.take() for _ in range(65_535)]
    assert taken[0] == 65_530
    assert sorted(taken) == list(range(1, 65_536))


@pytest.mark.parametrize("first", [1, 0x0100, 0x0300, 0x05CD, 0x0503, 65_535])
def test_a_request_frame_avoids_control_codes_from_any_start(first: int) -> None:
    _, frame = CorrelationIds(first).frame(records.Identify)
    assert not set(frame) & {1, 2, 3, 4, 5}
