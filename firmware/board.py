"""The standard box on a Raspberry Pi Pico: every pin, rate and fact, in one place.

To build another box, change this file; `box` and `drivers` stay as they are.
"""

import os
from struct import unpack

from box.facts import AngleFacts, LoadFacts
from box.wire import (
    CHANNEL_KIND_ARM_ANGLE,
    CHANNEL_KIND_LOAD,
    CHANNEL_KIND_ROLLER_ANGLE,
    RESET_CAUSE_POWER_ON,
    RESET_CAUSE_SOFT,
    RESET_CAUSE_UNKNOWN,
    RESET_CAUSE_WATCHDOG,
    SENSOR_KIND_AS5600,
    SENSOR_KIND_HX711,
    SENSOR_KIND_POTENTIOMETER,
    SENSOR_KIND_QUADRATURE,
    SEQUENCE_MASK,
)
from drivers import as5600, hx711, potentiometer, quadrature_reading
from drivers.button import Button
from drivers.hx711_reading import COUNTS_HIGH, COUNTS_LOW
from drivers.i2c_bus import I2cBus
from drivers.quadrature import Quadrature

try:
    from gc import collect, mem_free
except ImportError:  # CPython looks after its own memory

    def collect():
        """Nothing to do."""

    def mem_free():
        """Not known."""
        return 0


NAME = b"pico"
QUEUE_SLOTS = 256  # 8 KB, or 0.6 s of the default stream

# --- pins (GP numbers) --------------------------------------------------------
LOAD_PINS = ((2, 3), (4, 5))  # data, clock of each HX711
I2C_NUMBER = 0
I2C_SDA_PIN = 20
I2C_SCL_PIN = 21
I2C_FREQUENCY_HZ = 400000
ROLLER_PIN = 26
BUTTON_PIN = 15
SERVICE_PIN = 14  # to ground: stay at the interactive prompt
LAMP_PIN = 25
BUZZER_PIN = 16  # high: sounds (an active buzzer behind a transistor)

# --- which sensor each angle has: "as5600", "potentiometer", "quadrature" (one encoder at most) --
ARM_SENSOR = "as5600"
ROLLER_SENSOR = "potentiometer"
ARM_PIN = 27  # of a potentiometer at the arm
ENCODER_A_PIN = 6  # B is the pin after it
ENCODER_INDEX_PIN = None  # 8, for an encoder that has one
ENCODER_COUNTS_PER_TURN = 2400  # four times its lines
ROLLER_I2C_NUMBER = 1
ROLLER_SDA_PIN = 18
ROLLER_SCL_PIN = 19

# --- what only the RP2040 has ---------------------------------------------------
USE_STATE_MACHINES = True  # without programmable I/O the drivers fall back by themselves
ENCODER_STATE_MACHINE = 4  # the first of the second block, whose only program it must be
WATCHDOG_STOP = (0x4005B000, 1 << 30)
"""WATCHDOG_CTRL through its clearing alias, and the bit ENABLE (RP2040 data sheet, 2.1.2, 4.7.6);
None on other chips."""
FORCED_RESET = (0x40058008, 1 << 1)
"""WATCHDOG_REASON and its bit FORCE (data sheet, 4.7.6): a program asked for the reset.  The
port's `reset_cause` calls that one a watchdog's, too.  None on other chips."""

# --- rates and limits -----------------------------------------------------------
LOAD_RATE_HZ = 80  # RATE pin high; in truth 80 to 94, and the lower part tolerance below that
LOAD_RATE_LOW_MILLIHERTZ = 72000
LOAD_RATE_HIGH_MILLIHERTZ = 100000
ARM_RATE_MILLIHERTZ = 200000
ARM_SLOWEST_MILLIHERTZ = 50000  # load samples carry this angle and call it stale after 50 ms
ROLLER_RATE_MILLIHERTZ = 20000
ROLLER_SLOWEST_MILLIHERTZ = 1000
ANGLE_FASTEST_MILLIHERTZ = 500000
TRAVEL_DEGREES = 300  # of a potentiometer: common practice, no source; calibrated on the host

OVERLOAD_COUNTS = 6400000
"""1.5 times the rated output of a 2 mV/V cell: 0.512 of 2**23 counts at gain 128 (data sheet)."""

QUIET_COUNTS = 40000
"""About 1 % of that rated output, peak to peak: a machine at rest stays well below."""

_NO_TEMPERATURE = -32768


def _padded(data, length):
    return (bytes(data) + bytes(length))[:length]


class Board:
    """What `box.app.App` needs to know and to hold.

    name (16 bytes), box_id (8 bytes), boot_id, reset_cause, queue_slots,
    channels (facts, in channel order), button (`pressed`, `poll()`), lamp and
    buzzer (`value()`, `value(x)`), service_requested(), temperature_centicelsius(),
    heap_free_bytes(), collect_garbage().
    """

    def __init__(self, machine, boot_id, channels):
        pin = machine.Pin
        self.name = _padded(NAME, 16)
        self.box_id = _padded(machine.unique_id(), 8)
        self.boot_id = boot_id
        self.reset_cause = _reset_cause(machine)
        self.queue_slots = QUEUE_SLOTS
        self.channels = channels
        self.button = Button(pin(BUTTON_PIN, pin.IN, pin.PULL_UP))
        self.lamp = pin(LAMP_PIN, pin.OUT)
        self.buzzer = pin(BUZZER_PIN, pin.OUT)
        self._service = pin(SERVICE_PIN, pin.IN, pin.PULL_UP)
        self._thermometer = _thermometer(machine)
        self.collect_garbage = collect
        self.heap_free_bytes = mem_free

    def service_requested(self):
        return self._service.value() == 0

    def temperature_centicelsius(self):
        """Of the microcontroller: 27 C at 0.706 V, -1.721 mV/C (RP2040 data sheet, from memory)."""
        if self._thermometer is None:
            return _NO_TEMPERATURE
        microvolts = self._thermometer.read_u16() * 3300000 // 65535
        return 2700 - (microvolts - 706000) * 100 // 1721


def _reset_cause(machine):
    cause = machine.reset_cause()
    if cause == getattr(machine, "PWRON_RESET", None):
        return RESET_CAUSE_POWER_ON
    if cause == getattr(machine, "WDT_RESET", None):
        return RESET_CAUSE_SOFT if _was_forced(machine) else RESET_CAUSE_WATCHDOG
    if cause == getattr(machine, "SOFT_RESET", None):  # not every port tells
        return RESET_CAUSE_SOFT
    return RESET_CAUSE_UNKNOWN


def _was_forced(machine):
    """True when `machine.reset` ended the last run, as the installer does, and no hang."""
    registers = getattr(machine, "mem32", None)
    if registers is None or FORCED_RESET is None:
        return False
    address, bit = FORCED_RESET
    return registers[address] & bit != 0


def _thermometer(machine):
    channel = getattr(machine.ADC, "CORE_TEMP", None)
    return None if channel is None else machine.ADC(channel)


def build(machine, clock, random_bytes=None):
    """Wire the board.

    machine: the module of that name, or a stand-in with Pin, I2C, ADC,
    unique_id, disable_irq, enable_irq and reset_cause.  clock: the `time`
    module or its like.  random_bytes(count): where the boot id comes
    from, if not from the operating system's or the chip's random source.
    """
    if random_bytes is None:
        random_bytes = os.urandom
    boot_id = unpack("<I", random_bytes(4))[0] & SEQUENCE_MASK
    arm_channel = len(LOAD_PINS)
    channels = [_load(machine, clock, index, arm_channel) for index in range(len(LOAD_PINS))]
    channels.append(_arm(machine, clock))
    channels.append(_roller(machine, clock))
    return Board(machine, boot_id, channels)


def _state_machine_driver(name):
    """The class of that name from its module in `drivers`; None without programmable I/O."""
    if not USE_STATE_MACHINES:
        return None
    try:
        if name == "Hx711Pio":
            from drivers.hx711_pio import Hx711Pio as Driver
        else:
            from drivers.quadrature_pio import QuadraturePio as Driver
    except ImportError:
        return None
    return Driver


def _load(machine, clock, index, angle_channel):
    pin = machine.Pin
    data_pin, sck_pin = LOAD_PINS[index]
    data = pin(data_pin, pin.IN, pin.PULL_UP)  # pulled up: a missing part looks like no conversion
    sck = pin(sck_pin, pin.OUT)
    by_state_machine = _state_machine_driver("Hx711Pio")
    if by_state_machine is None:
        driver = hx711.Hx711(data, sck, machine, clock, LOAD_RATE_HZ)
    else:
        driver = by_state_machine(index, data, sck, machine, clock, LOAD_RATE_HZ)
    return LoadFacts(
        kind=CHANNEL_KIND_LOAD,
        sensor=SENSOR_KIND_HX711,
        driver=driver,
        gains=(128, 64, 32),  # input A, A, B
        nominal_rate_millihertz=LOAD_RATE_HZ * 1000,
        lowest_rate_millihertz=LOAD_RATE_LOW_MILLIHERTZ,
        highest_rate_millihertz=LOAD_RATE_HIGH_MILLIHERTZ,
        counts_low=COUNTS_LOW,
        counts_high=COUNTS_HIGH,
        default_overload_counts=OVERLOAD_COUNTS,
        quiet_counts=QUIET_COUNTS,
        angle_channel=angle_channel,
    )


def _arm(machine, clock):
    wires = (ARM_PIN, I2C_NUMBER, I2C_SDA_PIN, I2C_SCL_PIN)
    rates = (ARM_RATE_MILLIHERTZ, ARM_SLOWEST_MILLIHERTZ)
    return _angle(CHANNEL_KIND_ARM_ANGLE, ARM_SENSOR, wires, rates, machine, clock)


def _roller(machine, clock):
    wires = (ROLLER_PIN, ROLLER_I2C_NUMBER, ROLLER_SDA_PIN, ROLLER_SCL_PIN)
    rates = (ROLLER_RATE_MILLIHERTZ, ROLLER_SLOWEST_MILLIHERTZ)
    return _angle(CHANNEL_KIND_ROLLER_ANGLE, ROLLER_SENSOR, wires, rates, machine, clock)


def _angle(kind, name, wires, rates, machine, clock):
    sensor, driver, counts_low, counts_high, per_turn = _ANGLE_SENSORS[name](machine, clock, wires)
    return AngleFacts(
        kind=kind,
        sensor=sensor,
        driver=driver,
        nominal_rate_millihertz=rates[0],
        slowest_millihertz=rates[1],
        fastest_millihertz=ANGLE_FASTEST_MILLIHERTZ,
        counts_low=counts_low,
        counts_high=counts_high,
        counts_per_turn=per_turn,
    )


def _potentiometer(machine, _clock, wires):
    driver = potentiometer.Potentiometer(machine.ADC(machine.Pin(wires[0])))
    high = potentiometer.COUNTS_HIGH
    return SENSOR_KIND_POTENTIOMETER, driver, 0, high, (high + 1) * 360 // TRAVEL_DEGREES


def _as5600(machine, clock, wires):
    bus = I2cBus(machine, clock, wires[1], wires[2], wires[3], I2C_FREQUENCY_HZ)
    driver = as5600.As5600(bus, clock)
    return SENSOR_KIND_AS5600, driver, 0, as5600.COUNTS_HIGH, as5600.COUNTS_PER_TURN


def _quadrature(machine, _clock, _wires):
    if ARM_SENSOR == ROLLER_SENSOR:
        raise ValueError("arm and rollers cannot both have the one encoder")
    pin = machine.Pin
    line_a = pin(ENCODER_A_PIN, pin.IN, pin.PULL_UP)
    line_b = pin(ENCODER_A_PIN + 1, pin.IN, pin.PULL_UP)
    index = None
    if ENCODER_INDEX_PIN is not None:
        index = pin(ENCODER_INDEX_PIN, pin.IN, pin.PULL_UP)
    by_state_machine = _state_machine_driver("QuadraturePio")
    per_turn = ENCODER_COUNTS_PER_TURN
    if by_state_machine is None:
        driver = Quadrature(machine, line_a, line_b, per_turn, index)
    else:
        driver = by_state_machine(ENCODER_STATE_MACHINE, machine, line_a, per_turn, index)
    low, high = quadrature_reading.COUNTS_LOW, quadrature_reading.COUNTS_HIGH
    return SENSOR_KIND_QUADRATURE, driver, low, high, per_turn


_ANGLE_SENSORS = {
    "potentiometer": _potentiometer,
    "as5600": _as5600,
    "quadrature": _quadrature,
}
