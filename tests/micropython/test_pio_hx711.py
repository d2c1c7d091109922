"""The HX711 program, instruction by instruction, in an RP2040 emulator (npm rp2040js).

Times: HX711 data sheet (Avia Semiconductor), Tables 2 and 3; RP2040 data sheet, chapter 3.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from firmware.pio_rig import driver, emulate
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.hx711 import HX711
from steelyard.simulator.parts.machine import Machine

PERIOD_US = 11_574  # 86.4 conversions a second
PULSES = {128: 25, 32: 26, 64: 27}
CODES = [0, 1, -1, 123456, -123456, 0x7FFFFF, -0x800000, 0x555555]
RESET_US = 150  # the program's first 129 us are the reset pulse


@pytest.fixture(scope="module")
def hx711_pio() -> Any:
    return driver("hx711_pio")


@pytest.fixture
def run(node: Path, hx711_pio: Any) -> Any:
    def run(gain: int = 128, codes: list[int] | None = None, **job: Any) -> dict[str, Any]:
        codes = CODES if codes is None else codes
        conversions = [
            [RESET_US + PERIOD_US * (index + 1), code & 0xFFFFFF]
            for index, code in enumerate(codes)
        ]
        amplifier = {"conversions": conversions, **job.pop("amplifier", {})}
        end_us = RESET_US + PERIOD_US * (len(codes) + 1)
        job.setdefault("read_us", [at + 200 for at, _ in conversions])
        job.setdefault("read_words", 8)
        return emulate(
            node,
            hx711_pio.hx711_program,
            hx711_pio.FREQUENCY_HZ,
            amplifier=amplifier,
            execute=[hx711_pio._SET_X | PULSES[gain] - 1, hx711_pio._MOVE_X_TO_OSR],
            end_us=end_us,
            **job,
        )

    return run


def _decode(word: int, gain: int) -> tuple[int, int, bool]:
    """(number, code, in step) of a word."""
    pulses = PULSES[gain]
    tail = pulses - 24
    code = word >> tail & 0xFFFFFF
    if code & 0x800000:
        code -= 1 << 24
    return word >> pulses, code, word & (1 << tail) - 1 == (1 << tail) - 1


def _reading_pulses(found: dict[str, Any]) -> list[tuple[float, float]]:
    """(rise, fall) of every clock pulse after the reset pulse."""
    edges = found["edges"]
    assert edges[0][1] == 1
    return [(rise[0], fall[0]) for rise, fall in zip(edges[2::2], edges[3::2], strict=True)]


@pytest.mark.parametrize("gain", [128, 32, 64])
def test_every_word_arrives_with_its_number(run: Any, gain: int) -> None:
    found = run(gain)
    decoded = [_decode(word, gain) for _, word in found["words"]]
    assert [code for _, code, _ in decoded] == CODES
    assert all(in_step for _, _, in_step in decoded)
    numbers = [number for number, _, _ in decoded]
    assert [(earlier - later) & 7 for earlier, later in pairwise(numbers)] == [1] * 7
    assert max(word for _, word in found["words"]) < 1 << 30  # MicroPython keeps it off the heap
    assert len(_reading_pulses(found)) == PULSES[gain] * len(CODES)


def test_the_clock_keeps_the_data_sheets_times(run: Any) -> None:
    found = run()
    pulses = _reading_pulses(found)
    high = [fall - rise for rise, fall in pulses]
    assert min(high) >= 0.2  # T3: 0.2 to 50 us, typically 1
    assert max(high) == pytest.approx(1.0, abs=0.02)
    low = [rise - fall for (_, fall), (rise, _) in pairwise(pulses)]
    assert min(low) >= 0.2  # T4
    falls = [at for at, level in found["data_edges"] if level == 0]
    for index in range(len(CODES)):
        first_rise = pulses[25 * index][0]
        edge = max(at for at in falls if at < first_rise)
        assert 0.1 <= first_rise - edge < 5  # T1


def test_the_reset_pulse_is_long_enough(run: Any) -> None:
    (rise, up), (fall, down) = run(codes=[5])["edges"][:2]
    assert (up, down) == (1, 0)
    assert 60 < fall - rise < 140


def test_the_pulses_drive_the_real_part(run: Any) -> None:
    # The emulator's edges into the part that knows the data sheet: it objects to
    # nothing and its data line does what the emulator's source did.
    found = run(codes=[4242, -77, 0x2AAAAA])
    clock = VirtualClock()
    pins = Machine(clock).Pin
    period = 1e6 / PERIOD_US
    part = HX711(
        clock, pins.wire(2), pins.wire(3), lambda channel, at_us: 0.0, clock_error=period / 80 - 1
    )
    codes = [4242, -77, 0x2AAAAA]
    for code in codes:
        part.tear_next(code)
    seen = []
    for at, level in found["edges"]:
        clock.advance_to(max(clock.now_us, int(at)))
        pins.wire(3).put(level, at)
        if not level:
            seen.append(pins.wire(2).level)
    assert [violation.rule for violation in part.violations] == ["not_ready"]  # the reset pulse
    assert part.overwritten_total == 0
    expected = [bit for code in codes for bit in [*_bits(code), 1]]
    assert seen[1:] == expected


def _bits(code: int) -> list[int]:
    return [code >> shift & 1 for shift in range(23, -1, -1)]


@pytest.mark.parametrize("gain", [128, 64])
def test_the_driver_knows_how_long_a_word_takes(run: Any, hx711_pio: Any, gain: int) -> None:
    found = run(gain)
    ready = [RESET_US + PERIOD_US * (index + 1) for index in range(len(CODES))]
    took = [at - edge for at, edge in zip(found["interrupts"], ready, strict=True)]
    steps = hx711_pio._STEPS_BEFORE_PULSES + hx711_pio._STEPS_AFTER_PULSES
    steps += hx711_pio._STEPS_A_PULSE * PULSES[gain]
    for time in took:
        assert time == pytest.approx(steps * 1e6 / hx711_pio.FREQUENCY_HZ, abs=0.6)


def test_eight_words_wait_and_what_is_lost_shows(run: Any) -> None:
    # Nobody reads for eleven conversions (127 ms), then everybody at once, then as usual.
    codes = list(range(100, 114))
    at = [RESET_US + PERIOD_US * index + 200 for index in (11, 12, 13, 14)]
    found = run(codes=codes, read_us=at)
    decoded = [_decode(word, 128) for _, word in found["words"]]
    assert [code for _, code, _ in decoded] == [*range(100, 108), 111, 112, 113]
    numbers = [number for number, _, _ in decoded]
    steps = [(earlier - later) & 7 for earlier, later in pairwise(numbers)]
    assert steps == [1] * 7 + [4, 1, 1]  # three lost between
    assert len(found["interrupts"]) == 14  # every conversion raises its flag all the same


def test_a_cut_clock_line_gives_one_word_out_of_step(run: Any) -> None:
    found = run(amplifier={"clock_cut": True})
    assert [_decode(word, 128)[1:] for _, word in found["words"]] == [(0, False)]
    assert len(found["interrupts"]) == 1  # then it waits: no storm of interrupts


def test_a_line_stuck_low_gives_one_word_out_of_step(run: Any) -> None:
    found = run(amplifier={"stuck_low_from_us": RESET_US + PERIOD_US + 30})
    assert [_decode(word, 128)[2] for _, word in found["words"]] == [False]
    assert len(found["interrupts"]) == 1


@pytest.mark.parametrize("length_us", [0.3, 0.7])
def test_a_short_spike_is_no_conversion(run: Any, length_us: float) -> None:
    found = run(codes=[7, 8], amplifier={"spikes": [[RESET_US + 3000, length_us]]})
    assert [_decode(word, 128)[1] for _, word in found["words"]] == [7, 8]
    assert len(_reading_pulses(found)) == 50


def test_the_stand_in_does_as_the_emulator(run: Any, hx711_pio: Any) -> None:
    # The simulator's own state machine, on the part, against the emulator: the same words.
    clock = VirtualClock()
    machine = Machine(clock)
    pin = machine.Pin
    part = HX711(
        clock,
        pin.wire(2),
        pin.wire(3),
        lambda channel, at_us: 0.0,
        clock_error=1e6 / PERIOD_US / 80 - 1,
    )
    for code in CODES:
        part.tear_next(code)
    stand_in = hx711_pio.rp2.StateMachine(
        0,
        hx711_pio.hx711_program,
        freq=hx711_pio.FREQUENCY_HZ,
        in_base=pin(2),
        jmp_pin=pin(2),
        sideset_base=pin(3),
    )
    interrupts = []
    stand_in.irq(handler=lambda source: interrupts.append(clock.now_us), hard=True)
    stand_in.exec(hx711_pio._SET_X | 24)
    stand_in.exec(hx711_pio._MOVE_X_TO_OSR)
    stand_in.restart()
    stand_in.active(1)
    words = []
    while len(words) < len(CODES):
        clock.advance_to(clock.now_us + 500)
        while stand_in.rx_fifo():
            words.append(stand_in.get())
    emulated = run()
    assert words == [word for _, word in emulated["words"]]
    assert [violation.rule for violation in part.violations] == ["not_ready"]
    mine = [later - earlier for earlier, later in pairwise(interrupts)]
    its = [later - earlier for earlier, later in pairwise(emulated["interrupts"])]
    assert mine == pytest.approx(its, abs=2)
