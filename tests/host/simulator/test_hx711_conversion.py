"""What the HX711 part converts: scale, sign, gain, settling, saturation, noise, rate.

Source: HX711 data sheet as in tests/reference/hx711_timing.json; sign vectors
from the definition of 24-bit two's complement.
"""

from __future__ import annotations

import json
import random
import statistics
from pathlib import Path

import pytest
from host.simulator.driver import Reader
from steelyard.simulator.parts.hx711 import CODE_MAXIMUM, CODE_MINIMUM

TABLE = json.loads(
    (Path(__file__).parents[2] / "reference" / "hx711_timing.json").read_text(encoding="utf-8")
)


def test_scale_at_gain_128() -> None:
    # 2 mV/V at 5 V is 10 mV; one step is 5 V / (128 * 2**24) = 2.328 nV (derived there).
    step_volts = TABLE["derived_here"]["lsb_nV_at_5V_gain128"] * 1e-9
    assert Reader(ratio=0.002).settled() == round(0.010 / step_volts)


@pytest.mark.parametrize("counts", [0, 1, -1, 0x7FFFFF, -0x800000, -0x7FFFFF, 123_456])
def test_bits_come_most_significant_first_in_twos_complement(counts: int) -> None:
    assert Reader(ratio=counts / (128 * 2**24)).settled() == counts


@pytest.mark.parametrize(("pulses", "gain"), [(25, 128), (27, 64)])
def test_pulse_count_selects_the_gain(pulses: int, gain: int) -> None:
    reader = Reader(ratio=0.001)
    counts = reader.settled(pulses)
    assert reader.chip.gain == gain
    assert counts == round(0.001 * gain * 2**24)


def test_26_pulses_select_input_b_at_gain_32() -> None:
    reader = Reader(ratio=0.001)
    assert reader.settled(26) == 0  # nothing is wired to B
    assert reader.chip.gain == 32


@pytest.mark.parametrize(("pulses", "full_scale_ratio"), [(25, 0.5 / 128), (27, 0.5 / 64)])
def test_full_scale_is_half_the_supply_over_the_gain(pulses: int, full_scale_ratio: float) -> None:
    assert Reader(ratio=0.999 * full_scale_ratio).settled(pulses) < CODE_MAXIMUM
    assert Reader(ratio=1.001 * full_scale_ratio).settled(pulses) == CODE_MAXIMUM
    assert Reader(ratio=-1.001 * full_scale_ratio).settled(pulses) == CODE_MINIMUM
    printed_mv = {row["pulses"]: row["full_scale_mV_at_5V_printed"] for row in TABLE["channels"]}
    # The sheet prints 20 and 40 mV for 19.53 and 39.06.
    assert 5000 * full_scale_ratio == pytest.approx(printed_mv[pulses], rel=0.03)


@pytest.mark.parametrize("occasion", ["power up", "reset", "gain change"])
def test_settles_in_four_conversions(occasion: str) -> None:
    reader = Reader(ratio=0.002)
    pulses, gain, extra = 25, 128, 0
    if occasion == "reset":
        reader.settled()
        reader.pulse(high_us=80)
    elif occasion == "gain change":
        reader.settled()
        pulses, gain = 27, 64
        reader.read(pulses)  # asks for the other gain
        extra = 1  # the conversion under way still ends at the old one
    final = round(0.002 * gain * 2**24)
    values = [reader.read(pulses) for _ in range(6 + extra)][extra:]
    assert all(value != final for value in values[:3])
    assert values[3:] == [final] * 3


def test_settling_time_is_the_published_one() -> None:
    reader = Reader(ratio=0.002, rate_sps=80)
    for _ in range(4):
        reader.read()
    assert reader.clock.now_us / 1000 == pytest.approx(TABLE["settling_ms"]["RATE1"], rel=0.01)


@pytest.mark.parametrize(("rate_sps", "error"), [(80, 0.0), (80, 0.175), (10, 0.0)])
def test_rate_and_its_clock_error(rate_sps: int, error: float) -> None:
    reader = Reader(rate_sps=rate_sps, clock_error=error)
    reader.clock.advance_to(10_000_000)
    assert reader.chip.conversions_total == pytest.approx(10 * rate_sps * (1 + error), abs=1)


@pytest.mark.parametrize("rate_sps", [10, 80])
def test_noise_is_the_published_one(rate_sps: int) -> None:
    reader = Reader(ratio=0.001, rate_sps=rate_sps, gauss=random.Random(7).gauss)
    reader.settled()
    values = [reader.read() for _ in range(2000)]
    published = TABLE["derived_here"]["noise_counts_rms_at_5V_gain128"][str(rate_sps)]
    # 2000 draws know a standard deviation to 1.6 %: five of those.
    assert statistics.stdev(values) == pytest.approx(published, rel=0.08)
    assert statistics.mean(values) == pytest.approx(0.001 * 128 * 2**24, abs=5)


def test_an_unread_conversion_is_replaced_and_counted() -> None:
    reader = Reader(ratio=0.001)
    reader.settled()
    reader.wait()
    reader.ratio = 0.002
    reader.clock.sleep_us(100_000)
    assert reader.chip.overwritten_total >= 7
    assert reader.read() == round(0.002 * 128 * 2**24)


def test_a_torn_word_replaces_one_conversion_only() -> None:
    reader = Reader(ratio=0.001)
    sound = reader.settled()
    reader.chip.tear_next()
    assert [reader.read() for _ in range(3)] == [0x3FFFFF, sound, sound]


def test_without_power_the_line_is_let_go() -> None:
    reader = Reader()
    reader.chip.power_off()
    assert reader.wait(200_000) >= 0  # no pull-up here: the wire falls
    assert reader.chip.conversions_total <= 1
    reader.data.init(pull=reader.machine.Pin.PULL_UP)
    assert reader.data.level == 1
    reader.chip.power_on()
    assert reader.wait() >= 0
