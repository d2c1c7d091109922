"""The HX711 part obeys the data sheet's timing table, and notices code that does not.

Source of T1..T4, pulse counts, power-down and settling: Avia Semiconductor
HX711 data sheet, Tables 2 and 3, Figures 2 and 3.  Copied to
tests/reference/hx711_timing.json.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from host.simulator.driver import Reader
from steelyard.simulator.parts import hx711

TABLE = json.loads(
    (Path(__file__).parents[2] / "reference" / "hx711_timing.json").read_text(encoding="utf-8")
)


def test_the_part_uses_the_published_figures() -> None:
    timing = TABLE["timing_us"]
    assert timing["T1_DOUT_fall_to_SCK_rise"]["min"] == hx711.T1_READY_TO_CLOCK_US
    assert timing["T2_SCK_rise_to_DOUT_valid"]["max"] == hx711.T2_CLOCK_TO_DATA_US
    assert timing["T3_SCK_high"]["min"] == hx711.T3_HIGH_MINIMUM_US
    assert timing["T3_SCK_high"]["max"] == hx711.T3_HIGH_MAXIMUM_US
    assert timing["T4_SCK_low"]["min"] == hx711.T4_LOW_MINIMUM_US
    assert TABLE["power_down_us"] == hx711.POWER_DOWN_US
    for row in TABLE["channels"]:
        assert hx711.SELECTIONS[row["pulses"]] == (row["channel"], row["gain"])
    noise = TABLE["input_noise_nV_rms"]
    assert {10: noise["gain128_RATE0"], 80: noise["gain128_RATE1"]} == hx711.NOISE_NANOVOLTS


def test_a_proper_reading_breaks_no_rule() -> None:
    reader = Reader(ratio=0.001)
    for _ in range(8):
        reader.read(25)
    assert reader.chip.violations == []
    assert reader.chip.overwritten_total == 0


@pytest.mark.parametrize("high_us", [1, 10, 50])
def test_clock_high_up_to_50_us_is_allowed(high_us: int) -> None:
    reader = Reader()
    reader.wait()
    reader.clock.sleep_us(1)
    reader.pulse(high_us=high_us)
    assert reader.chip.violations == []
    assert reader.chip.resets_total == 1


def test_clock_high_over_50_us_is_a_violation_but_no_sleep_yet() -> None:
    reader = Reader()
    reader.wait()
    reader.clock.sleep_us(1)
    reader.pulse(high_us=55)
    assert reader.rules_broken == {"T3_maximum": 1}
    assert reader.chip.violations[0].value == 55
    assert reader.chip.resets_total == 1


def test_clock_high_over_60_us_is_power_down_and_the_return_resets() -> None:
    reader = Reader(ratio=0.001)
    reader.settled(27)
    assert reader.chip.gain == 64
    reader.pulse(high_us=61)
    assert reader.chip.resets_total == 2
    assert reader.chip.gain == 128
    assert reader.data.level == 1


def test_power_down_in_mid_reading_is_a_violation() -> None:
    reader = Reader()
    reader.wait()
    reader.clock.sleep_us(1)
    reader.bits(5)
    reader.pulse(high_us=130)
    assert reader.rules_broken["T3_maximum"] == 1
    assert reader.chip.resets_total == 2


def test_no_conversion_comes_while_asleep() -> None:
    reader = Reader()
    reader.settled()
    before = reader.chip.conversions_total
    reader.sck.value(1)
    reader.clock.sleep_us(500_000)
    assert reader.data.value() == 1
    assert reader.chip.conversions_total == before
    reader.sck.value(0)
    assert reader.wait() > 0
    assert reader.chip.conversions_total == before + 1


def test_pulses_without_width_break_t3_t4_t1_and_t2() -> None:
    reader = Reader()
    reader.wait()
    for _ in range(25):
        reader.pulse(high_us=0, low_us=0)
    broken = reader.rules_broken
    assert broken["T1"] == 1
    assert broken["T2"] == 25
    assert broken["T3_minimum"] == 25
    assert broken["T4"] == 24


def test_shorter_than_published_minima_are_caught_in_fractions_of_a_microsecond() -> None:
    reader = Reader()
    ready_us = float(reader.wait())
    chip = reader.chip
    chip.clock_changed(1, ready_us + 0.05)  # T1 >= 0.1
    chip.clock_changed(0, ready_us + 0.20)  # T3 >= 0.2: 0.15 here
    chip.clock_changed(1, ready_us + 0.35)  # T4 >= 0.2: 0.15 here
    chip.data_read(ready_us + 0.40)  # T2: valid after 0.1
    chip.clock_changed(0, ready_us + 0.65)
    assert reader.rules_broken == {"T1": 1, "T2": 1, "T3_minimum": 1, "T4": 1}


def test_published_minima_themselves_are_accepted() -> None:
    reader = Reader()
    at_us = float(reader.wait()) + 0.101
    for _ in range(25):
        reader.chip.clock_changed(1, at_us)
        reader.chip.data_read(at_us + 0.101)
        reader.chip.clock_changed(0, at_us + 0.201)
        at_us += 0.402
    assert reader.chip.violations == []


@pytest.mark.parametrize("pulses", [1, 12, 24])
def test_fewer_than_25_pulses_are_noticed_at_the_next_conversion(pulses: int) -> None:
    reader = Reader(ratio=0.001)
    reader.settled()
    reader.wait()
    reader.clock.sleep_us(1)
    reader.bits(pulses)
    reader.clock.sleep_us(20_000)
    assert reader.rules_broken == {"too_few_pulses": 1}
    assert reader.chip.torn_total == 1


def test_more_than_27_pulses_are_noticed() -> None:
    reader = Reader()
    reader.read(29)
    assert reader.rules_broken == {"too_many_pulses": 2}


def test_clocking_when_nothing_is_ready_reads_all_ones() -> None:
    reader = Reader()
    assert reader.bits(24) == 0xFFFFFF
    assert reader.rules_broken == {"not_ready": 24}


def test_data_is_high_after_the_25th_pulse_until_the_next_conversion() -> None:
    reader = Reader(ratio=-0.001)
    ready_us = reader.wait()
    reader.clock.sleep_us(1)
    reader.bits(24)
    assert reader.data.level == 0 or reader.chip.last_code & 1
    reader.pulse()
    assert reader.data.level == 1
    assert reader.wait() == pytest.approx(ready_us + reader.chip.period_us, abs=1)


def test_a_conversion_in_mid_reading_mixes_two_words_and_leaves_data_low() -> None:
    reader = Reader(ratio=0.0)
    reader.settled()
    reader.wait()
    reader.clock.sleep_us(1)
    first = reader.bits(10)
    reader.clock.sleep_us(15_000)
    rest = reader.bits(14)
    reader.pulse()
    assert (first, rest) == (0, 0)
    assert reader.chip.torn_total == 1
    assert reader.data.level == 0  # the new word's 15th bit, not the end mark
