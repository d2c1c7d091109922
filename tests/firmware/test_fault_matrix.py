"""Every fault of `fault_table`, under both ways of reading, and what is special about some."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import board
import pytest
from firmware.fault_table import (
    FAULTS,
    FLAG_TOTALS,
    IN_A_SETTING,
    IN_THE_SAMPLE,
    SCK,
    Fault,
    extra_pulse,
    reset_in_mid_read,
    table,
)
from firmware.rig import Rig
from steelyard.bringup.angle_checks import AngleChannel, check_angle
from steelyard.bringup.finding import Finding
from steelyard.bringup.link_checks import LinkSeen, check_link, settings_damaged
from steelyard.bringup.load_channel import LoadChannel
from steelyard.bringup.load_checks import check_load
from steelyard.bringup.observation import ChannelObservation, Observation
from steelyard.simulator.parts.machine import Machine
from steelyard.simulator.parts.pins import Pin
from steelyard.simulator.parts.quadrature import QuadratureEncoder
from steelyard_protocol import codec, records
from steelyard_protocol.decoder import CorruptFrame, Message, StreamDecoder
from steelyard_protocol.records import SampleFlags as Flag
from steelyard_protocol.records import SelfTestFindings

NO_COUNTS = -(1 << 31)
SETTLING = Flag.SETTLING
LASTING = [name for name, fault in FAULTS.items() if fault.lasting]
LINE_FLAGS = Flag.NO_CONVERSION | Flag.DESYNC | Flag.BUS_ERROR | Flag.LINE_HELD
PAGE = Path(__file__).parents[2] / "firmware" / "README.md"


@pytest.fixture(params=[False, True], ids=["by hand", "by state machine"])
def box(request: pytest.FixtureRequest) -> Rig:
    """A box that has settled and streams."""
    rig = Rig(pio=bool(request.param))
    rig.run_ms(300)
    rig.take()
    return rig


def _own(found: list[Any], channel: int) -> list[Any]:
    kinds = (records.LoadSample, records.AngleSample)
    return [item for item in found if isinstance(item, kinds) and item.channel == channel]


def _counts(sample: Any) -> int:
    is_load = isinstance(sample, records.LoadSample)
    return sample.load_counts if is_load else sample.angle_counts


def _totals(rig: Rig, channel: int) -> dict[Flag, int]:
    """How many samples carried each flag since the box started."""
    (answer,) = rig.ask(records.ReadFlagTotals(9, channel))
    return {flag: answer.samples_total[flag.bit_length() - 1] for flag in Flag}


def _risen(before: dict[Flag, int], after: dict[Flag, int]) -> int:
    return sum(flag for flag in after if after[flag] > before[flag])


class Watch:
    """A box with a fault, and all that is seen of it: samples, counters, findings."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.identity, *self.descriptions = rig.ask(records.Identify(2))
        self.before = rig.status()
        self.totals = {channel: _totals(rig, channel) for channel in range(4)}
        self.seen = Observation({channel: ChannelObservation() for channel in range(4)})
        self.samples: list[Any] = []

    def run_ms(self, duration_ms: int) -> None:
        """Let the box work and take what comes, as the check-up does."""
        for _ in range(duration_ms // 20):
            self.rig.run_ms(20)
            events = self.rig.take_events()
            self.seen.take(events)
            self.samples += [event.record for event in events if isinstance(event, Message)]

    def counted(self, counter: str, fault: Fault) -> int:
        """By how much a counter has risen."""
        if counter == FLAG_TOTALS:
            return _risen(self.totals[fault.channel], _totals(self.rig, fault.channel))
        if counter == IN_THE_SAMPLE:
            return int(_own(self.samples, fault.channel)[-1].invalid_transitions_total)
        if counter == IN_A_SETTING:
            key = records.SettingKey.DAMAGED_TOTAL
            return int(self.rig.ask(records.ReadSetting(5, key, 255))[0].number)
        after = self.seen.statuses[-1]
        numbers = [getattr(status, counter) for status in (self.before, after)]
        before, later = [sum(n) if isinstance(n, tuple) else n for n in numbers]
        return int(later - before)

    def findings(self) -> list[Finding]:
        """What the check-up says."""
        _, *descriptions = self.rig.ask(records.Identify(3))
        found = check_link(LinkSeen(self.identity, self.before, self.seen))
        if damaged := self.counted(IN_A_SETTING, FAULTS["DOUT stuck low"]):
            found.append(settings_damaged(damaged))
        for item in descriptions:
            own = self.seen.channels[item.channel]
            if item.kind == records.ChannelKind.LOAD:
                found += check_load(LoadChannel(item, own))
            else:
                found += check_angle(AngleChannel(item, own, item.nominal_rate_millihertz / 1000))
        return found


@pytest.mark.parametrize("pio", [False, True], ids=["by hand", "by state machine"])
@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_has_its_flag_counter_and_finding(
    monkeypatch: pytest.MonkeyPatch, name: str, pio: bool
) -> None:
    fault = FAULTS[name]
    monkeypatch.setattr(board, "ROLLER_SENSOR", fault.roller)
    rig = Rig(pio=pio, **fault.rig)
    rig.feel.ratios[1] = 0.0002  # as at rest
    rig.run_ms(900 if fault.rig else 300)
    rig.take()
    watch = Watch(rig)
    rig.start()
    fault.strike(rig)
    watch.run_ms(150 if fault.lasting else 0)
    watch.samples.clear()
    watch.run_ms(fault.settle_ms)
    _check_samples(watch, fault)
    assert watch.counted(fault.counter, fault) > 0
    found = [(item.code, item.channel) for item in watch.findings()]
    if fault.rig or not fault.flag:
        assert fault.code in {code for code, _ in found}
    else:
        # An encoder that has just started, and has no index line, says that as well.
        beside = [("encoder_zero_unknown", 3)] if fault.roller == "quadrature" else []
        assert found == [(fault.code, fault.channel), *beside]  # and no other
    if fault.counter == "dropped_total":
        _check_losses(watch)
    if fault.lasting:
        _check_totals(watch, fault)
        _check_self_test(watch, fault)


def _check_samples(watch: Watch, fault: Fault) -> None:
    samples = _own(watch.samples, fault.channel)
    assert samples, "a fault must be streamed, not silence"
    for sample in samples if fault.lasting else []:
        # Faults that share a flag are told apart by the other: never one too many.
        assert sample.flags & (LINE_FLAGS | fault.flag) == fault.flag
        assert fault.valued or _counts(sample) == NO_COUNTS  # never a plausible number
    if fault.flag:
        assert any(sample.flags & fault.flag == fault.flag for sample in samples)
    for channel in {0, 1, 2, 3} - {fault.channel}:
        assert all(not sample.flags & fault.flag for sample in _own(watch.samples, channel))


def _check_totals(watch: Watch, fault: Fault) -> None:
    for channel in range(4):
        risen = _risen(watch.totals[channel], _totals(watch.rig, channel))
        assert risen & ~(SETTLING | Flag.OVERLOAD) == (
            fault.flag if channel == fault.channel else 0
        )


def _check_losses(watch: Watch) -> None:
    """What the minute took is counted to the sample, and cost no measurement."""
    dropped = watch.counted("dropped_total", FAULTS["DOUT stuck low"])
    assert dropped == watch.seen.missing
    assert dropped == pytest.approx(60 * 395.2, rel=0.03)
    after = watch.seen.statuses[-1]
    made = [
        a - b for a, b in zip(after.conversions_total, watch.before.conversions_total, strict=True)
    ]
    assert after.late_read_total == watch.before.late_read_total  # sampling never waited
    assert after.link_stalls_total > watch.before.link_stalls_total
    assert made[0] > 60 * 80
    assert made[2] > 60 * 199


def _check_self_test(watch: Watch, fault: Fault) -> None:
    watch.rig.ask(records.StopStream(2))
    results = [
        item
        for item in watch.rig.ask(records.RunSelfTest(3), wait_ms=1300)
        if isinstance(item, records.SelfTestResult)
    ]
    assert results[fault.channel].findings == fault.finding
    assert {item.findings for item in results if item.channel != fault.channel} == {0}


def test_the_page_has_the_table() -> None:
    assert table() in PAGE.read_text(encoding="utf-8"), "python tests/firmware/fault_table.py"


@pytest.mark.parametrize("name", LASTING)
def test_a_fault_is_an_event_when_it_comes(box: Rig, name: str) -> None:
    fault = FAULTS[name]
    fault.strike(box)
    events = box.collect(records.Event, 800)
    raised = [item for item in events if item.kind == records.EventKind.FAULT_RAISED]
    assert {item.channel for item in raised} == {fault.channel}
    flags = 0
    for item in raised:
        flags |= item.flags
    assert flags == fault.flag


def test_the_amplifier_resets_itself_in_mid_read(box: Rig) -> None:
    box.start()
    box.take()
    reset_in_mid_read(box)
    flags = [sample.flags for sample in box.load_samples(200)]
    at = flags.index(Flag.SUSPECT)
    assert flags[at + 1 : at + 5] == [SETTLING] * 4
    assert set(flags[:at] + flags[at + 5 :]) == {0}
    assert box.status().discarded_total >= 4


def test_a_pulse_too_many_between_two_readings(box: Rig) -> None:
    """Input B for one conversion, and the filter starts over: none of it passes for a force."""
    box.feel.ratios[0] = 0.001
    box.run_ms(200)
    box.start()
    steady = 0.001 * 128 * 2**24
    before, amplifier = _totals(box, 0), box.bench.amplifiers[0]
    extra_pulse(box)
    samples = box.load_samples(250)
    assert [s.flags for s in samples if s.flags] == [Flag.SUSPECT] + [SETTLING] * 4
    assert any(abs(s.load_counts) < 0.2 * steady for s in samples if s.flags)
    for sample in samples:
        assert sample.flags or sample.load_counts == pytest.approx(steady, rel=1e-3)
    assert _risen(before, _totals(box, 0)) == Flag.SUSPECT | SETTLING
    assert amplifier.gain == 128


def test_a_pulse_too_many_under_little_load_is_bounded(box: Rig) -> None:
    # Below 65,536 counts it cannot be told from a moving load: the error stays below that, too.
    box.feel.ratios[0] = 60_000 / (128 * 2**24)
    box.run_ms(200)
    box.start()
    extra_pulse(box)
    samples = box.load_samples(250)
    errors = [abs(s.load_counts - 60_000) for s in samples if not s.flags]
    assert 30_000 < max(errors) < 65_536
    assert sum(error > 1000 for error in errors) <= 5


def test_a_load_let_go_is_no_pulse_too_many(box: Rig) -> None:
    box.feel.ratios[0] = 0.001
    box.run_ms(200)
    box.start()
    box.feel.ratios[0] = 0.0  # at once, which no weight does
    samples = box.load_samples(250)
    assert {sample.flags for sample in samples} == {0}


@pytest.mark.parametrize("word", [0x7FFFFF, 0x3FFFFF, -1])
def test_a_torn_read(box: Rig, word: int) -> None:
    box.start()
    box.bench.amplifiers[0].tear_next(word)
    samples = box.load_samples(200)
    (torn,) = [sample for sample in samples if sample.load_counts == word]
    assert torn.flags & (Flag.SUSPECT | Flag.SATURATED_HIGH)


def test_a_conversion_missed(box: Rig) -> None:
    box.start()
    before = box.status().late_read_total
    box.bench.amplifiers[0].skip_next()
    flags = [sample.flags for sample in box.load_samples(200)]
    assert sorted(flags)[-1] == Flag.LATE_READ
    assert flags.count(Flag.LATE_READ) == 1
    assert box.status().late_read_total == before + 1


def test_a_gain_that_is_not_the_calibrations(box: Rig) -> None:
    # The box does as it is set and says so; the host refuses a calibration made at another gain.
    before = box.status().discarded_total
    box.ask(records.WriteSetting(1, records.SettingKey.LOAD_GAIN, 0, 64, bytes(16)))
    assert box.ask(records.Identify(2))[1].gain == 64
    box.send(records.StartStream(3))
    samples = box.load_samples(300)
    assert samples[0].flags & SETTLING
    assert box.status().discarded_total == before + 5
    sound = [sample.load_counts for sample in samples if not sample.flags]
    assert sum(sound) / len(sound) == pytest.approx(0.0005 * 64 * 2**24, rel=1e-3)


@pytest.mark.parametrize("gain", [128, 64, 32])
def test_gain_and_input_can_be_chosen(box: Rig, gain: int) -> None:
    """Input A at 128 and 64; input B, which the bench ties to ground, at 32."""
    box.ask(records.WriteSetting(1, records.SettingKey.LOAD_GAIN, 0, gain, bytes(16)))
    assert box.ask(records.Identify(2))[1].gain == gain
    box.run_ms(200)
    box.start()
    sound = [sample.load_counts for sample in box.load_samples(200) if not sample.flags]
    wanted = 0.0 if gain == 32 else 0.0005 * gain * 2**24
    assert sum(sound) / len(sound) == pytest.approx(wanted, rel=1e-3, abs=100)
    assert box.bench.amplifiers[0].gain == gain


@pytest.mark.parametrize("pio", [False, True])
def test_ten_conversions_a_second_for_eighty(pio: bool) -> None:
    rig = Rig(pio=pio, rate_sps=10)
    rig.run_ms(3000)
    rig.take()
    results = [
        item
        for item in rig.ask(records.RunSelfTest(1), wait_ms=1300)
        if isinstance(item, records.SelfTestResult)
    ]
    assert [item.findings for item in results] == [
        SelfTestFindings.WRONG_RATE,
        SelfTestFindings.WRONG_RATE,
        0,
        0,
    ]
    assert results[0].measured_rate_millihertz == pytest.approx(10_800, rel=0.01)
    rig.start()
    samples = rig.load_samples(2000)
    assert len(samples) == pytest.approx(21, abs=2)
    assert {sample.flags for sample in samples} == {0}


@pytest.fixture(params=[False, True], ids=["by interrupts", "by state machine"])
def encoder_box(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> tuple[Rig, QuadratureEncoder]:
    """A box whose restraint angle comes from an encoder with an index."""
    monkeypatch.setattr(board, "ROLLER_SENSOR", "quadrature")
    monkeypatch.setattr(board, "ENCODER_INDEX_PIN", 8)
    rig = Rig(pio=bool(request.param))
    pin = rig.machine.Pin
    encoder = QuadratureEncoder(pin.wire(6), pin.wire(7))
    rig.run_ms(300)
    rig.take()
    rig.start()
    return rig, encoder


def _turn(rig: Rig, encoder: QuadratureEncoder, steps: int) -> None:
    for _ in range(abs(steps)):
        encoder.move_to(encoder.position + (1 if steps > 0 else -1))
        rig.run_ms(0.5)


def _roller(rig: Rig) -> records.AngleSample:
    return _own(rig.collect(records.AngleSample, 120), 3)[-1]


def test_an_encoder_is_followed(encoder_box: tuple[Rig, QuadratureEncoder]) -> None:
    rig, encoder = encoder_box
    first = _roller(rig)
    _turn(rig, encoder, 300)
    assert _roller(rig).angle_counts - first.angle_counts == 300
    _turn(rig, encoder, -700)
    last = _roller(rig)
    assert last.angle_counts - first.angle_counts == -400
    assert last.flags == 0
    assert last.invalid_transitions_total == first.invalid_transitions_total


def _jump(machine: Machine, encoder: QuadratureEncoder) -> None:
    # Both lines at the same moment: no interrupt may see one without the other.
    state = machine.disable_irq()
    encoder.jump_to(encoder.position + 2)
    machine.enable_irq(state)


def test_an_encoder_that_jumps(encoder_box: tuple[Rig, QuadratureEncoder]) -> None:
    rig, encoder = encoder_box
    before = _roller(rig).invalid_transitions_total
    _jump(rig.machine, encoder)
    samples = _own(rig.collect(records.AngleSample, 300), 3)
    suspect = [sample for sample in samples if sample.flags & Flag.SUSPECT]
    assert len(suspect) == 1
    assert suspect[0].invalid_transitions_total == before + 1
    assert samples[-1].invalid_transitions_total == before + 1


def test_an_index_makes_the_angle_absolute(encoder_box: tuple[Rig, QuadratureEncoder]) -> None:
    rig, encoder = encoder_box
    index = rig.machine.Pin.wire(8)

    def pass_index() -> None:
        index.drive(1)
        rig.run_ms(1)
        index.drive(0)

    index.drive(0)
    _turn(rig, encoder, 130)
    assert _roller(rig).sensor_status == 0
    pass_index()
    _turn(rig, encoder, 20)
    found = _roller(rig)
    assert (found.angle_counts, found.sensor_status) == (20, 1)
    _turn(rig, encoder, board.ENCODER_COUNTS_PER_TURN - 20)
    pass_index()
    assert _roller(rig).sensor_status == 1
    _turn(rig, encoder, 700)
    pass_index()  # 700 counts after a whole turn: counts were lost somewhere
    assert _roller(rig).sensor_status == 3


def test_the_host_goes_in_the_middle_of_a_frame(box: Rig) -> None:
    box.start()
    box.run_ms(100)
    del box.port.to_host[: 5 * 32 + 13]  # the old host took these and is gone
    box.run_ms(100)
    events = StreamDecoder().feed(bytes(box.port.to_host))
    broken = [event for event in events if not isinstance(event, Message)]
    assert len(broken) == 1
    assert isinstance(broken[0], CorruptFrame)
    assert broken[0] is events[0]  # one torn frame at the start, then all is whole
    assert len(events) > 50


@pytest.mark.parametrize(
    "garbage", [b"AT\r\nAT+CGMI\r\n", b"\x03\x03\x04\r\n", bytes(range(1, 256)) * 3, b"\x00" * 50]
)
def test_garbage_comes_in_while_streaming(box: Rig, garbage: bytes) -> None:
    box.start()
    before = box.status().garbage_bytes_total
    box.port.to_box += garbage
    box.run_ms(400)
    box.take()
    box.send(records.ReadClock(77))
    assert [r.correlation_id for r in box.collect(records.ClockReading, 50)] == [77]
    status = box.status()
    counted = status.garbage_bytes_total - before
    assert counted == (0 if not any(garbage) else pytest.approx(len(garbage), abs=1))
    assert status.streaming == 1


def test_a_request_torn_off_by_a_host_that_goes(box: Rig) -> None:
    frame = codec.encode(records.Identify(5))
    box.port.to_box += frame[:4]
    box.run_ms(500)  # and the next host begins anew
    box.take()
    box.send(records.Identify(6))
    assert [item.correlation_id for item in box.collect(records.Identity, 50)] == [6]


@pytest.mark.parametrize("pio", [False, True], ids=["by hand", "by state machine"])
def test_pins_that_cannot_be_read_back_accuse_no_wire(
    monkeypatch: pytest.MonkeyPatch, pio: bool
) -> None:
    """Emulators of the chip do not loop an output back to its input, nor the bus to its pins."""
    blind = {SCK, board.I2C_SDA_PIN, board.I2C_SCL_PIN}
    seen = Pin.value

    def value(self: Pin, level: int | None = None) -> int:
        found = seen(self, level)
        return 0 if level is None and self.number in blind else found

    monkeypatch.setattr(Pin, "value", value)
    rig = Rig(pio=pio)
    rig.run_ms(300)
    rig.take()
    rig.start()
    assert {sample.flags for sample in rig.load_samples(200)} <= {0, SETTLING}
    FAULTS["DOUT stuck low"].strike(rig)
    FAULTS["I2C not acknowledged"].strike(rig)
    rig.run_ms(150)
    rig.take()
    rig.run_ms(1100)
    found = rig.take()
    assert {sample.flags & LINE_FLAGS for sample in _own(found, 0)} == {Flag.DESYNC}
    assert {sample.flags & LINE_FLAGS for sample in _own(found, 2)} == {Flag.BUS_ERROR}
