"""AS5600 registers: map, magnet states, hysteresis, pointer.

Source: ams AS5600 data sheet v1-06; copied to tests/reference/as5600_registers.json.
"""

from __future__ import annotations

import json
import random
import statistics
from pathlib import Path

import pytest
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts import as5600
from steelyard.simulator.parts.as5600 import ADDRESS, AS5600
from steelyard.simulator.parts.i2c import I2C
from steelyard.simulator.parts.machine import Machine

TABLE = json.loads(
    (Path(__file__).parents[2] / "reference" / "as5600_registers.json").read_text(encoding="utf-8")
)


class Shaft:
    """A chip on a bus with a shaft that a test turns."""

    def __init__(self, degrees: float = 0.0, gauss_seed: int | None = None) -> None:
        self.degrees = degrees
        gauss = None if gauss_seed is None else random.Random(gauss_seed).gauss
        self.chip = AS5600(lambda _at_us: self.degrees, gauss)
        self.clock = VirtualClock()
        machine = Machine(self.clock)
        machine.I2C.wires(0).targets[ADDRESS] = self.chip
        self.bus: I2C = machine.I2C(0, freq=400_000)

    def word(self, register: int) -> int:
        high, low = self.bus.readfrom_mem(ADDRESS, register, 2)
        return high << 8 | low


def test_the_part_uses_the_published_map() -> None:
    registers = {name: int(places[0], 16) for name, places in TABLE["registers"].items()}
    for name in ("ZPOS", "MPOS", "MANG", "CONF", "STATUS", "RAW_ANGLE", "ANGLE", "AGC"):
        assert registers[name] == getattr(as5600, name)
    assert registers["MAGNITUDE"] == as5600.MAGNITUDE
    masks = {name: int(bit["mask"], 16) for name, bit in TABLE["status_bits"].items()}
    assert masks == {
        "MH": as5600.STATUS_TOO_STRONG,
        "ML": as5600.STATUS_TOO_WEAK,
        "MD": as5600.STATUS_DETECTED,
    }
    assert TABLE["agc_range"]["3V3"] == [0, as5600.AGC_MAXIMUM]
    assert int(TABLE["i2c"]["address_7bit"], 16) == ADDRESS
    noise = [row["noise_rms_deg"] for row in TABLE["slow_filter"]]
    assert noise == list(as5600.NOISE_DEGREES)


@pytest.mark.parametrize(
    ("degrees", "counts"), [(0, 0), (90, 1024), (180, 2048), (359.95, 4095), (360, 0), (-90, 3072)]
)
def test_raw_angle(degrees: float, counts: int) -> None:
    assert Shaft(degrees).word(as5600.RAW_ANGLE) == counts


def test_one_burst_from_status_gives_state_and_angle_of_one_moment() -> None:
    status, high, low = Shaft(90.0).bus.readfrom_mem(ADDRESS, as5600.STATUS, 3)
    assert status == as5600.STATUS_DETECTED
    assert high << 8 | low == 1024


@pytest.mark.parametrize(
    ("field", "status", "gain"),
    [
        (1.0, 0x20, 64),
        (0.2, 0x30, 128),
        (5.0, 0x28, 0),
        (0.0, 0x10, 128),
    ],
)
def test_magnet_states(field: float, status: int, gain: int) -> None:
    shaft = Shaft()
    shaft.chip.field = field
    assert shaft.bus.readfrom_mem(ADDRESS, as5600.STATUS, 1)[0] == status
    assert shaft.bus.readfrom_mem(ADDRESS, as5600.AGC, 1)[0] == gain


def test_gain_falls_as_the_field_rises() -> None:
    shaft = Shaft()
    gains = []
    for field in (0.3, 0.5, 1.0, 2.0, 3.5):
        shaft.chip.field = field
        gains.append(shaft.chip.gain)
    assert gains == sorted(gains, reverse=True)
    assert len(set(gains)) == 5


def test_without_a_magnet_the_angle_does_not_move() -> None:
    shaft = Shaft(45.0)
    before = shaft.word(as5600.RAW_ANGLE)
    shaft.chip.field = 0.0
    shaft.degrees = 90.0
    assert shaft.word(as5600.RAW_ANGLE) == before


@pytest.mark.parametrize("register", [as5600.RAW_ANGLE, as5600.ANGLE])
def test_pointer_comes_back_to_the_high_byte_of_an_angle(register: int) -> None:
    shaft = Shaft(90.0)
    shaft.bus.writeto(ADDRESS, bytes([register]))
    buffer = bytearray(2)
    for degrees, counts in ((90.0, 1024), (180.0, 2048)):
        shaft.degrees = degrees
        shaft.bus.readfrom_into(ADDRESS, buffer)
        assert buffer[0] << 8 | buffer[1] == counts


def test_pointer_moves_on_elsewhere() -> None:
    shaft = Shaft()
    shaft.bus.writeto_mem(ADDRESS, as5600.ZPOS, bytes([1, 2, 3, 4]))
    shaft.bus.writeto(ADDRESS, bytes([as5600.ZPOS]))
    buffer = bytearray(2)
    seen = []
    for _ in range(2):
        shaft.bus.readfrom_into(ADDRESS, buffer)
        seen.append(bytes(buffer))
    assert seen == [b"\x01\x02", b"\x03\x04"]


def test_angle_has_ten_counts_of_hysteresis_at_the_wrap_and_raw_angle_has_none() -> None:
    shaft = Shaft(359.0)
    top = shaft.word(as5600.ANGLE)
    shaft.degrees = 360.0 - 0.2 + 0.5  # 0.3 degrees past: 3 counts
    assert shaft.word(as5600.RAW_ANGLE) == 3
    crossed = 4096 - top + 3
    assert crossed > TABLE["angle_hysteresis_at_wrap_lsb"]
    assert shaft.word(as5600.ANGLE) == 3
    shaft.degrees = 359.8  # 5 counts back over the wrap: held
    assert shaft.word(as5600.RAW_ANGLE) == 4094
    assert shaft.word(as5600.ANGLE) == 3


@pytest.mark.parametrize("setting", [0, 1, 2, 3])
def test_programmable_hysteresis_of_angle(setting: int) -> None:
    shaft = Shaft(90.0)
    shaft.bus.writeto_mem(ADDRESS, as5600.CONF, bytes([0, setting << 2]))
    start = shaft.word(as5600.ANGLE)
    step = TABLE["derived_B"]["deg_per_lsb"]
    held = TABLE["hyst_lsb"][setting]
    shaft.degrees = 90.0 + held * step
    assert shaft.word(as5600.ANGLE) == start
    shaft.degrees = 90.0 + (held + 1) * step
    assert shaft.word(as5600.ANGLE) == start + held + 1


def test_a_programmed_range_fills_the_scale() -> None:
    shaft = Shaft(45.0)
    shaft.bus.writeto_mem(ADDRESS, as5600.MPOS, (1024).to_bytes(2, "big"))  # 0 to 90 degrees
    assert shaft.word(as5600.ANGLE) == 2048
    assert shaft.word(as5600.RAW_ANGLE) == 512
    shaft.degrees = 100.0
    assert shaft.word(as5600.ANGLE) == 4095
    shaft.degrees = 350.0
    assert shaft.word(as5600.ANGLE) == 0


def test_noise_is_the_published_one() -> None:
    shaft = Shaft(90.04, gauss_seed=3)
    shaft.bus.writeto_mem(ADDRESS, as5600.CONF, bytes([3, 0]))  # SF = 3: 0.043 degrees
    step = TABLE["derived_B"]["deg_per_lsb"]
    values = [shaft.word(as5600.RAW_ANGLE) * step for _ in range(4000)]
    quantised = (0.043**2 + step**2 / 12) ** 0.5
    assert statistics.stdev(values) == pytest.approx(quantised, rel=0.06)
    assert statistics.mean(values) == pytest.approx(90.04, abs=0.01)


def test_power_up_forgets_what_was_written() -> None:
    shaft = Shaft()
    shaft.bus.writeto_mem(ADDRESS, as5600.MPOS, b"\x04\x00")
    shaft.chip.power_on()
    assert shaft.word(as5600.MPOS) == 0
