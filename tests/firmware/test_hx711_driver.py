"""The HX711 driver against the part clocked at its pins (timing: data sheet, Tables 2 and 3)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from box.wire import NO_COUNTS
from drivers.hx711 import Hx711
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.hx711 import HX711
from steelyard.simulator.parts.machine import Machine
from steelyard_protocol.records import SampleFlags

DATA, SCK = 2, 3
# Two's complement examples: HX711 data sheet, output coding.
CODES = [0, 1, -2, 123456, -123456, 0x7FFFFE, -0x7FFFFF]


class Chip:
    """One amplifier, its driver and the samples taken."""

    def __init__(self, gain: int = 128, clock_error: float = 0.08) -> None:
        self.clock = VirtualClock()
        self.machine = Machine(self.clock)
        self.ratio = 0.0
        self.part = HX711(
            self.clock,
            self.machine.Pin.wire(DATA),
            self.machine.Pin.wire(SCK),
            lambda channel, at_us: self.ratio,
            clock_error=clock_error,
        )
        pin = self.machine.Pin
        data = pin(DATA, pin.IN, pin.PULL_UP)
        self.driver = Hx711(data, pin(SCK, pin.OUT), self.machine, self.clock, 80)
        self.driver.start(gain)

    def set_code(self, code: int, gain: int = 128) -> None:
        self.ratio = code / (gain * 16777216.0)

    def samples(self, count: int, poll_every_us: int = 100) -> list[tuple[int, int, int]]:
        """The next `count` samples as (counts, flags, ready ticks)."""
        found: list[tuple[int, int, int]] = []
        while len(found) < count:
            self.clock.sleep_us(poll_every_us)
            if self.driver.poll(self.clock.ticks_us()):
                driver = self.driver
                found.append((driver.counts, driver.flags, driver.ready_ticks_us))
        return found

    def settled(self) -> Chip:
        self.samples(6)
        self.part.violations.clear()
        self.part.violations_total = 0
        return self


@pytest.mark.parametrize("code", CODES)
def test_counts_are_the_parts_own(code: int) -> None:
    chip = Chip()
    chip.set_code(code)
    chip.samples(6)
    assert chip.samples(3)[-1][0] == code == chip.part.last_code


def test_no_rule_of_the_data_sheet_is_broken_while_reading() -> None:
    chip = Chip().settled()
    chip.samples(200)
    assert chip.part.violations == []
    assert chip.part.overwritten_total == 0


def test_ready_ticks_are_the_edges_not_the_reads() -> None:
    chip = Chip().settled()
    chip.set_code(0x555555)  # the data line falls twelve times more while it is read
    edges: list[int] = []
    wire = chip.machine.Pin.wire(DATA)
    drive = wire.drive

    def watch(level: int | None) -> None:
        if level == 0 and not chip.driver._clocking:
            edges.append(chip.clock.now_us)
        drive(level)

    wire.drive = watch  # type: ignore[method-assign]
    ticks = [sample[2] for sample in chip.samples(50, poll_every_us=3700)]
    assert len(edges) == len(ticks)
    for edge, tick in zip(edges, ticks, strict=True):
        assert 0 <= tick - edge <= 10
    steps = [later - earlier for earlier, later in pairwise(ticks)]
    assert sum(steps) / len(steps) == pytest.approx(chip.part.period_us, abs=1)


def test_the_first_four_conversions_are_flagged_settling() -> None:
    flags = [sample[1] for sample in Chip().samples(8)]
    assert flags == [SampleFlags.SETTLING] * 4 + [0] * 4


@pytest.mark.parametrize("gain", [128, 64])
def test_gain_and_its_settling(gain: int) -> None:
    chip = Chip(gain)
    chip.set_code(100000, gain)
    samples = chip.samples(10)
    assert chip.part.gain == gain
    assert samples[-1][0] == 100000
    unsettled = [sample for sample in samples if not sample[1] & SampleFlags.SETTLING]
    assert {sample[0] for sample in unsettled} == {100000}


def test_a_change_of_gain_flags_every_conversion_that_is_not_settled() -> None:
    chip = Chip().settled()
    chip.set_code(100000)
    chip.samples(5)
    chip.driver.set_gain(64)
    samples = chip.samples(12)
    sound = [sample[0] for sample in samples if not sample[1]]
    assert len(sound) == 12 - 5
    assert set(sound) == {50000}
    assert chip.driver.discarded_total == 4 + 5


@pytest.mark.parametrize(
    ("code", "counts", "flag"),
    [
        (0x900000, 0x7FFFFF, SampleFlags.SATURATED_HIGH),
        (-0x900000, -0x800000, SampleFlags.SATURATED_LOW),
    ],
)
def test_saturation(code: int, counts: int, flag: SampleFlags) -> None:
    chip = Chip().settled()
    chip.set_code(code)
    assert chip.samples(6)[-1][:2] == (counts, flag)
    assert chip.driver.saturated_total >= 1


@pytest.mark.parametrize("word", [-1, 0x3FFFFF, 0x1FFFFF, 0x0FFFFF])
def test_words_of_disturbed_reads_are_suspect(word: int) -> None:
    # Reported by users of the part: issue 83 of bogde/HX711 on GitHub.
    chip = Chip().settled()
    chip.set_code(123456)
    chip.samples(5)
    chip.part.tear_next(word)
    assert chip.samples(1)[0][:2] == (word, SampleFlags.SUSPECT)
    assert chip.samples(1)[0][:2] == (123456, 0)


def test_a_silent_part_is_no_conversion_and_never_a_number() -> None:
    chip = Chip().settled()
    chip.part.power_off()
    samples = chip.samples(3)
    assert [sample[:2] for sample in samples] == [(NO_COUNTS, SampleFlags.NO_CONVERSION)] * 3
    assert samples[1][2] - samples[0][2] == pytest.approx(100_000, abs=300)  # eight periods
    assert chip.driver.no_conversion_total == 3
    chip.part.power_on()
    chip.set_code(777)
    flags = [sample[1] for sample in chip.samples(6)]
    assert flags == [SampleFlags.SETTLING] * 4 + [0, 0]


def test_a_line_stuck_high_is_no_conversion() -> None:
    chip = Chip().settled()
    chip.machine.Pin.wire(DATA).hold(1)
    assert chip.samples(2)[-1][:2] == (NO_COUNTS, SampleFlags.NO_CONVERSION)


def test_a_line_stuck_low_is_desync_at_the_pace_of_the_timeout() -> None:
    chip = Chip().settled()
    chip.machine.Pin.wire(DATA).hold(0)
    chip.samples(1)
    before = chip.clock.now_us
    samples = chip.samples(4)
    assert [sample[:2] for sample in samples] == [(NO_COUNTS, SampleFlags.DESYNC)] * 4
    assert chip.clock.now_us - before > 300_000
    assert chip.driver.desync_total == 5
    chip.machine.Pin.wire(DATA).hold(None)
    chip.set_code(555)
    recovered = chip.samples(12)
    assert recovered[-1][:2] == (555, 0)


def test_pulses_that_the_part_missed_are_noticed_and_repaired() -> None:
    chip = Chip().settled()
    chip.set_code(4242)
    chip.samples(5)
    chip.clock.sleep_us(12_000)
    chip.part._pulses = -3  # it still holds bits back when the driver is through
    assert chip.samples(1)[0][:2] == (NO_COUNTS, SampleFlags.DESYNC)
    flags = [sample[1] for sample in chip.samples(6)]
    assert flags == [SampleFlags.SETTLING] * 4 + [0, 0]
    assert chip.driver.counts == 4242


def test_reading_late_is_flagged() -> None:
    chip = Chip().settled()
    chip.set_code(99)
    chip.samples(5)
    chip.clock.sleep_us(30_000)  # the main loop was away for two and a half periods
    sample = chip.samples(1)[0]
    assert sample[1] & SampleFlags.LATE_READ
    assert chip.driver.late_read_total == 1
    assert chip.part.overwritten_total >= 1
    assert chip.samples(2)[-1][1] == 0


def test_a_second_edge_before_the_read_is_a_lost_conversion() -> None:
    chip = Chip().settled()
    chip.samples(1)
    wire = chip.machine.Pin.wire(DATA)
    chip.clock.sleep_us(round(chip.part.period_us))
    wire.hold(1)  # a part that raises the line while it replaces an unread word
    wire.hold(None)
    assert chip.samples(1)[0][1] == SampleFlags.LATE_READ
    assert chip.samples(1)[0][1] == 0


def test_an_edge_while_edges_are_not_watched_is_found_afterwards() -> None:
    chip = Chip().settled()
    chip.samples(1)
    driver = chip.driver
    driver._clocking = True
    chip.clock.sleep_us(12_000)
    assert driver.wait_us(chip.clock.ticks_us()) > 0  # it fell, and nobody saw
    driver._listen()
    assert driver.wait_us(chip.clock.ticks_us()) == 0


def test_start_and_desync_reset_the_part() -> None:
    chip = Chip()
    assert chip.part.resets_total == 2  # its own power-up, then the driver's
    chip.samples(6)
    chip.clock.sleep_us(12_000)
    chip.part._pulses = -3
    chip.samples(3)
    assert chip.driver.desync_total == 1
    assert chip.part.resets_total == 3


def test_a_spike_on_the_data_line_is_not_a_conversion() -> None:
    chip = Chip().settled()
    wire = chip.machine.Pin.wire(DATA)
    wire.hold(0)
    wire.hold(None)
    assert not chip.driver.poll(chip.clock.ticks_us())
    assert chip.samples(3)[-1][1] == 0
    assert chip.driver.desync_total == 0


def test_waiting_time_is_that_of_the_timeout_and_nothing_when_ready() -> None:
    chip = Chip().settled()
    assert 0 < chip.driver.wait_us(chip.clock.ticks_us()) <= 100_000
    chip.clock.sleep_us(13_000)
    assert chip.driver.wait_us(chip.clock.ticks_us()) == 0
