"""The HX711 driver against the part clocked at its pins (timing: data sheet, Tables 2 and 3)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from box.wire import NO_COUNTS
from firmware.chip import DATA, SCK, Chip
from steelyard_protocol.records import SampleFlags

# Two's complement examples: HX711 data sheet, output coding.
CODES = [0, 1, -2, 123456, -123456, 0x7FFFFE, -0x7FFFFF]


@pytest.fixture(params=[False, True], ids=["by hand", "by state machine"])
def pio(request: pytest.FixtureRequest) -> bool:
    """Which way the amplifier is read: what follows must hold for both."""
    return bool(request.param)


@pytest.mark.parametrize("code", CODES)
def test_counts_are_the_parts_own(pio: bool, code: int) -> None:
    chip = Chip(pio=pio)
    chip.set_code(code)
    chip.samples(6)
    assert chip.samples(3)[-1][0] == code == chip.part.last_code


def test_no_rule_of_the_data_sheet_is_broken_while_reading(pio: bool) -> None:
    chip = Chip(pio=pio).settled()
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


def test_the_first_four_conversions_are_flagged_settling(pio: bool) -> None:
    flags = [sample[1] for sample in Chip(pio=pio).samples(8)]
    assert flags == [SampleFlags.SETTLING] * 4 + [0] * 4


@pytest.mark.parametrize("gain", [128, 64])
def test_gain_and_its_settling(pio: bool, gain: int) -> None:
    chip = Chip(gain, pio=pio)
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
def test_saturation(pio: bool, code: int, counts: int, flag: SampleFlags) -> None:
    chip = Chip(pio=pio).settled()
    chip.set_code(code)
    assert chip.samples(6)[-1][:2] == (counts, flag)
    assert chip.driver.saturated_total >= 1


@pytest.mark.parametrize("word", [-1, 0x3FFFFF, 0x1FFFFF, 0x0FFFFF])
def test_words_of_disturbed_reads_are_suspect(pio: bool, word: int) -> None:
    # Reported by users of the part: issue 83 of bogde/HX711 on GitHub.
    chip = Chip(pio=pio).settled()
    chip.set_code(123456)
    chip.samples(5)
    chip.part.tear_next(word)
    assert chip.samples(1)[0][:2] == (word, SampleFlags.SUSPECT)
    after = [sample[:2] for sample in chip.samples(5)]
    assert after == [(123456, SampleFlags.SETTLING)] * 4 + [(123456, 0)]


@pytest.mark.parametrize("code", [-1, 0xFFF, 0x1FFFF])
def test_such_a_word_where_it_belongs_is_not_suspect(pio: bool, code: int) -> None:
    chip = Chip(pio=pio)
    chip.set_code(code - 500)
    chip.samples(12)
    chip.set_code(code)
    assert [sample[:2] for sample in chip.samples(20)[8:]] == [(code, 0)] * 12


def test_a_part_that_resets_itself_while_it_is_read_is_suspect(pio: bool) -> None:
    chip = Chip(pio=pio).settled()
    chip.set_code(1_000_000)
    chip.samples(6)
    rises = []

    def watch(level: int, now_us: float) -> None:
        rises.append(level)
        if sum(rises) == 8:
            chip.part.power_on()
        else:
            chip.part.clock_changed(level, now_us)

    chip.clock.sleep_us(9_000)
    chip.machine.Pin.wire(SCK).on_write = watch
    flags = [flag for _, flag, _ in chip.samples(6)]
    assert flags[0] == SampleFlags.SUSPECT
    assert flags[1:] == [SampleFlags.SETTLING] * 4 + [0]


def test_a_part_that_was_silent_for_long_must_settle(pio: bool) -> None:
    chip = Chip(pio=pio).settled()
    chip.clock.sleep_us(8_000)
    chip.part._due_us += 4 * chip.part.period_us  # as after a dip of its supply
    chip.part._generation += 1
    chip.part._schedule()
    flags = [flag for _, flag, _ in chip.samples(6)]
    assert flags[0] == SampleFlags.SETTLING | SampleFlags.LATE_READ
    assert flags[1:] == [SampleFlags.SETTLING] * 3 + [0, 0]


def test_a_silent_part_is_no_conversion_and_never_a_number(pio: bool) -> None:
    chip = Chip(pio=pio).settled()
    chip.part.power_off()
    samples = chip.samples(3)
    assert [sample[:2] for sample in samples] == [(NO_COUNTS, SampleFlags.NO_CONVERSION)] * 3
    assert samples[1][2] - samples[0][2] == pytest.approx(100_000, abs=300)  # eight periods
    assert chip.driver.no_conversion_total == 3
    chip.part.power_on()
    chip.set_code(777)
    flags = [sample[1] for sample in chip.samples(6)]
    assert flags == [SampleFlags.SETTLING] * 4 + [0, 0]


def test_a_line_stuck_high_is_no_conversion(pio: bool) -> None:
    chip = Chip(pio=pio).settled()
    chip.machine.Pin.wire(DATA).hold(1)
    assert chip.samples(2)[-1][:2] == (NO_COUNTS, SampleFlags.NO_CONVERSION)


def test_a_line_stuck_low_is_desync_at_the_pace_of_the_timeout(pio: bool) -> None:
    chip = Chip(pio=pio).settled()
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


def test_a_spike_on_the_data_line_is_not_a_conversion(pio: bool) -> None:
    chip = Chip(pio=pio).settled()
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


def test_ready_ticks_are_the_edges_by_state_machine_too() -> None:
    chip = Chip(pio=True).settled()
    chip.set_code(0x555555)
    ready = []
    for _, _, ticks in chip.samples(50, poll_every_us=3700):
        ready.append(ticks)
    steps = [later - earlier for earlier, later in pairwise(ready)]
    assert sum(steps) / len(steps) == pytest.approx(chip.part.period_us, abs=1)
    latest = chip.samples(1)[0][2]
    assert latest - chip.part._ready_us == pytest.approx(0, abs=3)


def test_a_main_loop_away_for_150_ms_costs_no_conversion_and_no_time_stamp() -> None:
    # Five milliseconds is what a collection of garbage takes; the ring bridges far more.
    chip = Chip(pio=True).settled()
    for pause_us in (5_000, 50_000, 150_000):
        before = chip.part.conversions_total
        start = chip.samples(1)[0][2]
        chip.clock.sleep_us(pause_us)
        samples = chip.samples(pause_us // 11_574 + 1, poll_every_us=1)
        assert {flags for _, flags, _ in samples} == {0}
        steps = [later - earlier for earlier, later in pairwise([start] + [s[2] for s in samples])]
        assert max(abs(step - chip.part.period_us) for step in steps) < 3
        assert chip.part.conversions_total - before == len(samples) + 1
    assert chip.part.overwritten_total == 0


def test_a_main_loop_away_for_too_long_is_flagged() -> None:
    chip = Chip(pio=True).settled()
    chip.clock.sleep_us(400_000)  # 34 conversions, the ring holds 15
    samples = chip.samples(20, poll_every_us=1)
    flags = [flag for _, flag, _ in samples]
    assert flags[:15] == [0] * 15
    assert flags[15] == SampleFlags.LATE_READ
    assert chip.driver.late_read_total == 1
    assert set(flags[16:]) == {0}


def test_interrupts_off_for_eight_conversions_cost_only_the_time_stamps() -> None:
    chip = Chip(pio=True).settled()
    chip.set_code(31)
    chip.samples(6)
    state = chip.machine.disable_irq()
    chip.clock.sleep_us(90_000)  # a flash write, and then some: seven conversions
    chip.machine.enable_irq(state)
    samples = chip.samples(7, poll_every_us=1)
    assert {counts for counts, _, _ in samples} == {31}
    assert {flags for _, flags, _ in samples} == {SampleFlags.LATE_READ}  # moments not known
    assert chip.driver._machine.lost_total == 0
    settled = chip.samples(4)
    assert [flags for _, flags, _ in settled[1:]] == [0, 0, 0]


def test_a_full_fifo_is_flagged_by_the_numbers_of_the_words() -> None:
    chip = Chip(pio=True).settled()
    state = chip.machine.disable_irq()
    chip.clock.sleep_us(150_000)  # twelve or thirteen conversions into eight words
    chip.machine.enable_irq(state)
    assert chip.driver._machine.lost_total >= 4
    chip.samples(8, poll_every_us=1)
    chip.driver.late_read_total = 0
    assert chip.samples(1)[0][1] == SampleFlags.LATE_READ
    assert chip.samples(1)[0][1] == 0


def test_a_word_out_of_step_resets_the_part_and_is_not_repeated() -> None:
    chip = Chip(pio=True).settled()
    resets = chip.part.resets_total
    chip.part._pulses = -3
    wire = chip.machine.Pin.wire(DATA)
    drive = wire.drive
    wire.drive = lambda level: drive(0)  # type: ignore[method-assign] # never lets go
    chip.clock.sleep_us(12_000)
    wire.drive = drive  # type: ignore[method-assign]
    assert chip.samples(1)[0][:2] == (NO_COUNTS, SampleFlags.DESYNC)
    chip.clock.sleep_us(200)  # the pulse that resets it takes 128
    assert chip.part.resets_total == resets + 1
    flags = [sample[1] for sample in chip.samples(6)]
    assert flags == [SampleFlags.SETTLING] * 4 + [0, 0]


def test_a_change_of_gain_by_state_machine_is_settled_after_five() -> None:
    chip = Chip(pio=True).settled()
    chip.set_code(100000)
    chip.samples(5)
    chip.driver.set_gain(64)
    samples = chip.samples(12)
    sound = [sample[0] for sample in samples if not sample[1]]
    assert len(sound) == 12 - 5
    assert set(sound) == {50000}
    assert chip.part.gain == 64


def test_input_b_is_gain_32() -> None:
    # 26 pulses choose input B: data sheet, Table 3.
    for pio in (False, True):
        chip = Chip(32, pio=pio)
        chip.set_code(1000, 32)
        assert chip.samples(10)[-1][0] == 1000
        assert chip.part.gain == 32


def test_ten_a_second_are_slow_and_not_broken(pio: bool) -> None:
    # RATE pin low: 10 a second, 400 ms to settle (data sheet, Table 2).
    chip = Chip(pio=pio, rate_sps=10)
    chip.set_code(2468)
    samples = chip.samples(40, poll_every_us=1000)
    assert chip.driver.slow
    assert [counts for counts, _, _ in samples[-20:]] == [2468] * 20
    assert {flags for _, flags, _ in samples[-20:]} == {0}
    assert chip.part.resets_total == 2  # the driver did not despair of it


def test_eighty_a_second_again_are_fast_again(pio: bool) -> None:
    chip = Chip(pio=pio, rate_sps=10)
    chip.samples(20, poll_every_us=1000)
    chip.part.rate_sps = 80
    chip.samples(4)
    assert not chip.driver.slow
    chip.samples(3)
    assert chip.samples(1)[0][1] == 0


def test_a_conversion_left_out_is_noticed_by_the_time(pio: bool) -> None:
    chip = Chip(pio=pio).settled()
    chip.part._due_us += chip.part.period_us
    chip.part._generation += 1
    chip.part._schedule()
    flags = [sample[1] for sample in chip.samples(4)]
    assert flags == [SampleFlags.LATE_READ, 0, 0, 0]
    assert chip.driver.late_read_total == 1
