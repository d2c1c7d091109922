"""The box as a whole: what it streams, what it admits, what it does when nobody reads."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest
from firmware.rig import Rig
from steelyard_protocol import records
from steelyard_protocol.decoder import Gap, Message
from steelyard_protocol.records import EventKind, SampleFlags

NO_COUNTS = -(1 << 31)
TICKS_PERIOD_US = 1 << 30


def _sequences(samples: list[records.LoadSample]) -> list[int]:
    return [sample.sequence for sample in samples]


def test_nothing_is_streamed_unasked(rig: Rig) -> None:
    rig.run_ms(2000)
    assert {type(record) for record in rig.take()} == {records.Status}


def test_every_sample_arrives_once_in_order(rig: Rig) -> None:
    rig.start()
    rig.run_ms(3000)
    events = rig.take_events()
    assert all(isinstance(event, Message) for event in events)  # no gap, nothing corrupt
    assert rig.port.write_sizes == {32}
    samples = [event.record for event in events if isinstance(event, Message)]
    for channel, rate in ((0, 86.4), (1, 88.8)):
        own = [s for s in samples if isinstance(s, records.LoadSample) and s.channel == channel]
        assert len(own) == pytest.approx(3 * rate, abs=2)
    for channel, rate in ((2, 200), (3, 20)):
        own = [s for s in samples if isinstance(s, records.AngleSample) and s.channel == channel]
        assert len(own) == pytest.approx(3 * rate, abs=2)


def test_a_load_sample_carries_the_angle_of_its_moment(rig: Rig) -> None:
    rig.feel.degrees = 90.0
    rig.start()
    samples = rig.load_samples(500)
    assert {sample.angle_counts for sample in samples} <= {1023, 1024, 1025}
    assert max(sample.angle_age_us for sample in samples) <= 5200  # one period of 200 Hz
    assert {sample.flags for sample in samples} == {0}


def test_sequence_goes_on_over_a_stop(rig: Rig) -> None:
    rig.start()
    first = _sequences(rig.load_samples(200))
    rig.ask(records.StopStream(2))
    rig.run_ms(300)
    rig.take()
    rig.send(records.StartStream(3))
    second = _sequences(rig.load_samples(200))
    assert first[0] <= 2
    assert 1 <= second[0] - first[-1] <= 4  # what was sent while stopping was read away


def test_status_keeps_its_period_and_its_promise(rig: Rig) -> None:
    rig.start()
    statuses = rig.collect(records.Status, 5000)
    assert len(statuses) == 10
    steps = [later.device_ticks_us - s.device_ticks_us for s, later in pairwise(statuses)]
    assert max(steps) < 520_000
    last = statuses[-1]
    assert last.streaming == 1
    assert last.reset_cause == records.ResetCause.POWER_ON
    assert last.temperature_centicelsius == pytest.approx(2700, abs=1000)
    streamed_seconds = last.device_ticks_us * 1e-6 - 0.15
    frames_a_second = 86.4 + 88.8 + 200 + 20 + 2
    assert last.frames_sent_total == pytest.approx(streamed_seconds * frames_a_second, abs=15)
    assert last.dropped_total == (0,) * 8
    assert last.uptime_ms == pytest.approx(rig.clock.now_us / 1000, abs=600)


@pytest.mark.parametrize(
    ("cause", "told"),
    [
        (1, records.ResetCause.POWER_ON),
        (3, records.ResetCause.WATCHDOG),
        (5, records.ResetCause.SOFT),
        (99, records.ResetCause.UNKNOWN),
    ],
)
def test_the_reset_cause_is_told(make_rig: Callable[..., Rig], cause: int, told: int) -> None:
    rig = make_rig(reset_cause=cause)
    assert rig.status().reset_cause == told


def test_conversions_are_counted_whether_streamed_or_not(rig: Rig) -> None:
    before = rig.status()
    after = rig.status()
    elapsed = after.device_ticks_us - before.device_ticks_us
    counted = after.conversions_total[0] - before.conversions_total[0]
    assert counted == pytest.approx(elapsed * 86.4e-6, abs=2)


def test_the_clock_wraps_without_a_ripple(make_rig: Callable[..., Rig]) -> None:
    rig = make_rig(ticks_offset_us=TICKS_PERIOD_US - 2_000_000)
    rig.run_ms(150)
    rig.take()
    rig.start()
    samples = rig.load_samples(4000)
    ticks = [sample.device_ticks_us for sample in samples]
    steps = [(later - earlier) % TICKS_PERIOD_US for earlier, later in pairwise(ticks)]
    assert min(ticks) < 2_000_000 < TICKS_PERIOD_US - 2_000_000 < max(ticks)
    assert max(steps) < 12_000
    assert {sample.flags for sample in samples} == {0}
    assert max(sample.angle_age_us for sample in samples) < 5200


def test_sequences_wrap_without_a_gap(rig: Rig) -> None:
    # 2**30 samples take 47 days at 264 a second: start just before the end.
    for channel in rig.app._sampler.channels:
        channel.sequence = (1 << 30) - 30
    rig.start()
    samples = rig.load_samples(1000)  # a gap in any channel would fail here
    sequences = _sequences(samples)
    assert sequences[-1] < 100 < (1 << 30) - 100 < sequences[0]


def test_lamp_and_buzzer_tell_of_overload_without_a_screen(rig: Rig) -> None:
    rig.start()
    buzzer = rig.machine.Pin.wire(16)
    lamp = rig.machine.Pin.wire(25)
    rig.run_ms(1000)
    assert (buzzer.level, lamp.level) == (0, 1)  # streaming: steady
    rig.feel.ratios[0] = 0.0031
    rig.run_ms(100)
    seen = []
    for _ in range(100):
        rig.run_ms(10)
        seen.append(buzzer.level)
        assert lamp.level == buzzer.level
    changes = sum(later != earlier for earlier, later in pairwise(seen))
    assert changes == pytest.approx(10, abs=1)  # five times a second on and off
    rig.feel.ratios[0] = 0.0005
    rig.run_ms(1200)
    assert (buzzer.level, lamp.level) == (0, 1)


def test_the_lamp_blinks_slowly_while_nothing_is_streamed(rig: Rig) -> None:
    lamp = rig.machine.Pin.wire(25)
    seen = []
    for _ in range(40):
        rig.run_ms(100)
        seen.append(lamp.level)
    assert sum(later != earlier for earlier, later in pairwise(seen)) == pytest.approx(8, abs=1)


def test_an_unread_port_drops_the_oldest_and_says_so(make_rig: Callable[..., Rig]) -> None:
    rig = make_rig(slots=8)
    for _ in range(20):
        rig.run_ms(10)
        rig.take()
    rig.start()
    rig.run_ms(50)
    rig.take()
    rig.run_ms(3000)  # nobody reads: 256 samples are kept, 0.65 s
    gaps: list[Gap] = []
    samples = 0
    status = None
    for _ in range(400):
        for event in rig.take_events():
            if isinstance(event, Gap):
                gaps.append(event)
            elif isinstance(event, Message):
                samples += isinstance(event.record, records.LoadSample | records.AngleSample)
                if isinstance(event.record, records.Status):
                    status = event.record
        rig.run_ms(5)
    assert status is not None
    dropped = [0] * 8
    for gap in gaps:
        dropped[gap.channel] += gap.missing
    assert tuple(dropped) == status.dropped_total
    assert sum(dropped) > 700
    assert status.queue_high_water == 256
    assert status.link_stalls_total >= 1
    assert status.late_read_total == 0  # sampling went on undisturbed
    assert status.no_conversion_total == 0


def test_after_an_unread_spell_the_newest_samples_are_there(make_rig: Callable[..., Rig]) -> None:
    rig = make_rig(slots=4)
    for _ in range(20):
        rig.run_ms(10)
        rig.take()
    rig.start()
    rig.run_ms(5000)
    stopped_us = rig.clock.now_us
    ticks = []
    for _ in range(100):
        ticks += [
            event.record.device_ticks_us
            for event in rig.take_events()
            if isinstance(event, Message) and isinstance(event.record, records.LoadSample)
        ]
        rig.run_ms(1)
    kept = [at for at in ticks[2:] if at < stopped_us]
    assert min(kept) > stopped_us - 800_000


@pytest.mark.parametrize("field", ["failing", "stuck"])
def test_a_dead_angle_sensor_does_not_touch_the_force(rig: Rig, field: str) -> None:
    rig.start()
    rig.run_ms(500)
    rig.take()
    setattr(rig.bench.angle_wires, field, True)
    rig.run_ms(300)
    rig.take()
    samples = rig.load_samples(2000)
    assert len(samples) == pytest.approx(172.8, abs=2)
    assert {sample.flags for sample in samples} == {SampleFlags.ANGLE_STALE}
    assert {sample.angle_counts for sample in samples} == {NO_COUNTS}
    assert {sample.angle_age_us for sample in samples} == {65535}
    assert rig.status().late_read_total == 0
    setattr(rig.bench.angle_wires, field, False)
    rig.run_ms(1500)
    rig.take()
    assert {sample.flags for sample in rig.load_samples(500)} == {0}


def test_an_angle_dead_for_half_a_clock_period_never_looks_fresh(
    make_rig: Callable[..., Rig],
) -> None:
    rig = make_rig()
    rig.run_ms(150)
    rig.take()
    rig.bench.angle_wires.failing = True
    rig.run_ms(200)
    # Ticks compare wrongly beyond 2**29 us: jump there instead of running nine minutes.
    rig.clock.ticks_offset_us += (1 << 29) - 100_000
    rig.run_ms(300)
    rig.take()
    rig.start()
    for sample in rig.load_samples(300):
        assert sample.flags & SampleFlags.ANGLE_STALE
        assert sample.angle_counts == NO_COUNTS


def test_angle_faults_are_flags_on_angle_samples(rig: Rig) -> None:
    rig.start()
    rig.bench.angle_wires.failing = True
    rig.run_ms(100)
    rig.take()
    angles = [s for s in rig.collect(records.AngleSample, 1000) if s.channel == 2]
    assert len(angles) == pytest.approx(200, abs=1)  # every sample is still there, and says so
    assert {(s.flags, s.angle_counts) for s in angles} == {(SampleFlags.BUS_ERROR, NO_COUNTS)}


def _faults(rig: Rig, duration_ms: float) -> list[tuple[int, int, int]]:
    events = rig.collect(records.Event, duration_ms)
    return [(event.kind, event.channel, event.flags) for event in events]


def test_a_fault_is_reported_when_it_comes_and_when_it_is_over(rig: Rig) -> None:
    rig.bench.amplifiers[1].power_off()
    assert _faults(rig, 600) == [(EventKind.FAULT_RAISED, 1, SampleFlags.NO_CONVERSION)]
    rig.bench.amplifiers[1].power_on()
    assert _faults(rig, 600) == [(EventKind.FAULT_CLEARED, 1, SampleFlags.NO_CONVERSION)]


def test_a_flickering_fault_does_not_flood(rig: Rig) -> None:
    rig.start()
    rig.take()
    found = []
    for _ in range(50):
        rig.bench.amplifiers[0].tear_next(0x7FFFFF)  # one saturated word now and then
        found += _faults(rig, 40)
    assert found == [
        (EventKind.FAULT_RAISED, 0, SampleFlags.SATURATED_HIGH),
        (EventKind.OVERLOAD_RAISED, 0, SampleFlags.OVERLOAD),  # the end of the range is beyond it
    ]


def test_overload_is_flagged_and_reported(rig: Rig) -> None:
    rig.start()
    rig.feel.ratios[0] = 0.0031  # 6.66 million counts at gain 128; the limit is 6.4 million
    events = _faults(rig, 200)
    assert events == [(EventKind.OVERLOAD_RAISED, 0, SampleFlags.OVERLOAD)]
    assert {sample.flags for sample in rig.load_samples(200)} == {SampleFlags.OVERLOAD}
    rig.feel.ratios[0] = 0.0005
    assert _faults(rig, 400) == [(EventKind.OVERLOAD_CLEARED, 0, SampleFlags.OVERLOAD)]


def test_what_is_still_settling_is_no_overload(make_rig: Callable[..., Rig]) -> None:
    rig = make_rig()
    rig.feel.ratios[0] = 0.0031
    rig.send(records.StartStream(1))
    flags = [sample.flags & ~SampleFlags.ANGLE_STALE for sample in rig.load_samples(200)]
    assert flags[:4] == [SampleFlags.SETTLING] * 4
    assert set(flags[4:]) == {SampleFlags.OVERLOAD}


def test_an_unread_box_keeps_one_status_not_a_pile_of_old_ones(
    make_rig: Callable[..., Rig],
) -> None:
    rig = make_rig(slots=1)
    rig.run_ms(10_000)
    statuses = []
    for _ in range(60):
        statuses += [r for r in rig.take() if isinstance(r, records.Status)]
        rig.run_ms(5)
    assert len(statuses) <= 2
    assert statuses[-1].device_ticks_us > 10_000_000


def test_the_button_is_an_event_and_a_flag(rig: Rig) -> None:
    rig.start()
    rig.bench.button.set(True)
    assert _faults(rig, 100) == [(EventKind.BUTTON_PRESSED, 255, 0)]
    assert {sample.flags for sample in rig.load_samples(200)} == {SampleFlags.BUTTON_HELD}
    rig.bench.button.set(False)
    assert _faults(rig, 100) == [(EventKind.BUTTON_RELEASED, 255, 0)]


def _event_sequences(rig: Rig) -> list[int]:
    """Read the port empty."""
    found = []
    for _ in range(300):
        found += [
            event.record.sequence
            for event in rig.take_events()
            if isinstance(event, Message) and isinstance(event.record, records.Event)
        ]
        rig.run_ms(2)
    return found


def test_events_without_room_leave_a_gap_in_their_sequence(make_rig: Callable[..., Rig]) -> None:
    rig = make_rig(slots=1)
    rig.run_ms(50)
    for _ in range(60):
        rig.bench.button.set(True)
        rig.run_ms(50)
        rig.bench.button.set(False)
        rig.run_ms(50)
    sequences = _event_sequences(rig)
    rig.bench.button.set(True)
    rig.run_ms(30)
    sequences += _event_sequences(rig)
    assert sequences == sorted(set(sequences))
    assert sequences[-1] == 120
    assert len(sequences) < 100


def test_no_rule_of_the_amplifiers_data_sheet_is_broken_while_streaming(rig: Rig) -> None:
    rig.start()
    for amplifier in rig.bench.amplifiers:
        amplifier.violations.clear()
    rig.run_ms(3000)
    assert [amplifier.violations for amplifier in rig.bench.amplifiers] == [[], []]


def test_idle_time_never_reaches_past_the_next_angle_reading(rig: Rig) -> None:
    rig.start()
    for _ in range(200):
        while rig.app.step():
            pass
        idle_us = rig.app.idle_us()
        assert 0 <= idle_us <= 5000
        rig.clock.sleep_us(max(idle_us, 1))


def test_a_box_with_other_pins_is_only_another_board_file(rig: Rig) -> None:
    # `box` takes whatever channels the board lists: here without its second amplifier.
    board = rig.board
    del board.channels[1]
    board.channels[0].angle_channel = 1
    single = type(rig.app)(board, rig.port, rig.clock, rig.files)
    rig.app = single
    rig.run_ms(100)
    rig.take()
    identity, *descriptions = rig.ask(records.Identify(1))
    assert identity.channel_count == len(descriptions) == 3
    rig.start()
    assert {sample.channel for sample in rig.collect(records.AngleSample, 200)} == {1, 2}
