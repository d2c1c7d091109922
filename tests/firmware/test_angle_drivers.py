"""AS5600 at its registers, potentiometer at its voltage, button at its contact."""

from __future__ import annotations

import pytest
from box.wire import NO_COUNTS
from drivers.as5600 import As5600
from drivers.button import Button
from drivers.i2c_bus import I2cBus
from drivers.potentiometer import Potentiometer
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.as5600 import ADDRESS, AS5600
from steelyard.simulator.parts.machine import Machine
from steelyard_protocol.records import SampleFlags


class Shaft:
    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.machine = Machine(self.clock)
        self.degrees = 0.0
        self.part = AS5600(lambda at_us: self.degrees)
        self.wires = self.machine.I2C.wires(0)
        self.wires.targets[ADDRESS] = self.part
        self.driver = As5600(I2cBus(self.machine, self.clock, 0, 20, 21, 400000), self.clock)

    def read(self) -> tuple[int, int]:
        self.driver.read(self.clock.ticks_us())
        return self.driver.counts, self.driver.flags


@pytest.mark.parametrize(
    ("degrees", "counts"), [(0.0, 0), (90.0, 1024), (180.0, 2048), (359.9, 4095), (-90.0, 3072)]
)
def test_raw_angle(degrees: float, counts: int) -> None:
    # 4096 counts a turn, 0.0879 degrees each: AS5600 data sheet v1-06.
    shaft = Shaft()
    shaft.degrees = degrees
    assert shaft.read() == (counts, 0)
    assert shaft.driver.sensor_status == 0x20
    assert shaft.driver.sensor_gain == shaft.part.gain


@pytest.mark.parametrize(
    ("field", "flag", "status"),
    [
        # STATUS masks MD 0x20, ML 0x10 (too weak), MH 0x08 (too strong): meanings from the
        # data sheet, masks from an open driver (RobTillaart/AS5600), not from the sheet itself.
        (0.1, SampleFlags.MAGNET_WEAK, 0x30),
        (10.0, SampleFlags.MAGNET_STRONG, 0x28),
    ],
)
def test_a_poor_magnet_is_flagged_and_still_read(
    field: float, flag: SampleFlags, status: int
) -> None:
    shaft = Shaft()
    shaft.degrees = 45.0
    shaft.part.field = field
    assert shaft.read() == (512, flag)
    assert shaft.driver.sensor_status == status


def test_without_magnet_there_is_no_angle() -> None:
    shaft = Shaft()
    shaft.part.field = 0.0
    assert shaft.read() == (NO_COUNTS, SampleFlags.MAGNET_MISSING)


def test_the_gain_is_read_every_sixteenth_time() -> None:
    shaft = Shaft()
    for _ in range(32):
        shaft.read()
    assert shaft.wires.transfers_total == 32 + 2


def test_a_dead_bus_is_asked_less_and_less_often_and_flagged_all_the_time() -> None:
    shaft = Shaft()
    shaft.wires.failing = True
    for _ in range(2000):  # ten seconds at 200 Hz
        assert shaft.read() == (NO_COUNTS, SampleFlags.BUS_ERROR)
        shaft.clock.sleep_ms(5)
    # Pauses 10, 20, ... 640 ms, then 1 s: 7 tries in the first 1.3 s, then one a second.
    assert 14 <= shaft.driver.bus_error_total <= 17
    shaft.wires.failing = False
    shaft.degrees = 90.0
    shaft.clock.sleep_ms(1001)
    assert shaft.read() == (1024, 0)
    shaft.wires.failing = True
    shaft.read()
    shaft.wires.failing = False
    shaft.clock.sleep_ms(11)
    assert shaft.read() == (1024, 0)


def test_a_stuck_bus_costs_three_milliseconds_not_fifty() -> None:
    shaft = Shaft()
    shaft.wires.stuck = True
    before = shaft.clock.now_us
    shaft.read()
    assert shaft.clock.now_us - before < 3500


def test_a_stuck_part_is_clocked_out() -> None:
    # Bus clear by nine clock pulses: I2C-bus specification (UM10204), from memory.
    shaft = Shaft()
    falls: list[int] = []
    pin = shaft.machine.Pin
    scl = pin(21, pin.IN, pin.PULL_UP)  # the bus idles high

    def watch(level: int, now_us: int) -> None:
        if not level:
            falls.append(now_us)
        if len(falls) >= 9:
            shaft.wires.stuck = False

    scl.on_write = watch
    shaft.wires.stuck = True
    for _ in range(60):
        shaft.read()
        shaft.clock.sleep_ms(5)
    assert len(falls) == 9
    assert shaft.read()[1] == 0


class Converter:
    def __init__(self, readings: list[int]) -> None:
        self._readings = readings
        self.asked = 0

    def read_u16(self) -> int:
        self.asked += 1
        return self._readings[self.asked % len(self._readings)]


def test_a_potentiometer_reading_is_a_mean_of_sixteen() -> None:
    converter = Converter([30000, 30040])
    driver = Potentiometer(converter)
    driver.read(0)
    assert (driver.counts, driver.flags, converter.asked) == (30020, 0, 16)


@pytest.mark.parametrize("rail", [0, 100, 65400, 65535])
def test_a_wiper_on_a_rail_is_an_open_circuit(rail: int) -> None:
    driver = Potentiometer(Converter([rail]))
    driver.read(0)
    assert (driver.counts, driver.flags) == (NO_COUNTS, SampleFlags.OPEN_CIRCUIT)


class Contact:
    def __init__(self, levels: str) -> None:
        self._levels = [int(level) for level in levels]

    def value(self) -> int:
        return self._levels.pop(0)


@pytest.mark.parametrize(
    ("levels", "changes"),
    [
        ("1111", "...."),
        ("0000", ".p.."),
        ("0101010", "......."),
        ("00110011", ".p.r.p.r"),
        ("00101011", ".p.....r"),
    ],
)
def test_a_button_changes_after_two_equal_readings(levels: str, changes: str) -> None:
    button = Button(Contact(levels))
    seen = "".join(
        ("p" if button.pressed else "r") if button.poll() else "." for _ in range(len(levels))
    )
    assert seen == changes
