"""Parts that allocate nothing, so that whatever allocates is the firmware.

Runs inside the MicroPython virtual machine, where the heap can be locked.
"""

import board as standard_board


class QuietClock:
    """Ticks that a test moves on by hand."""

    def __init__(self):
        self.now = 0

    def ticks_us(self):
        return self.now

    def ticks_ms(self):
        return self.now // 1000

    def ticks_diff(self, later, earlier):
        return ((later - earlier + 0x20000000) & 0x3FFFFFFF) - 0x20000000

    def ticks_add(self, ticks, delta):
        return (ticks + delta) & 0x3FFFFFFF

    def sleep_us(self, duration_us):
        self.now += duration_us


class QuietWire:
    """A pin, or the data or clock line of a `QuietAmplifier`."""

    def __init__(self):
        self.level = 1
        self.amplifier = None
        self.handler = None

    def value(self, level=None):
        if level is None:
            return self.level
        if level and self.amplifier is not None:
            self.amplifier.clocked()
        self.level = level
        return level

    def irq(self, handler, trigger, hard):
        self.handler = handler


class QuietAmplifier:
    """Shifts `word` out of `data`, a bit for each rise of `sck`."""

    def __init__(self, data, sck):
        self._data = data
        sck.amplifier = self
        self.word = 0
        self._mask = 0
        self.sticks_low = False

    def convert(self, word):
        """Have `word` ready and pull the data line down."""
        self.word = word
        self._mask = 0x800000
        self._data.level = 0
        self._data.handler(self._data)

    def clocked(self):
        if self._mask:
            self._data.level = 1 if self.word & self._mask else 0
            self._mask >>= 1
        else:
            self._data.level = 0 if self.sticks_low else 1


class QuietPins:
    """Stand-in for `machine.Pin`."""

    IN = 0
    OUT = 1
    PULL_UP = 1
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self):
        self.wires = {}

    def __call__(self, number, mode=0, pull=0):
        if number not in self.wires:
            self.wires[number] = QuietWire()
        return self.wires[number]


class QuietBus:
    """Stand-in for `machine.I2C`, already made: an angle sensor with a good magnet."""

    angle = 1000

    def __call__(self, number, scl, sda, freq, timeout):
        return self

    def readfrom_mem_into(self, address, register, buffer):
        if len(buffer) == 1:
            buffer[0] = 64
            return
        buffer[0] = 0x20
        buffer[1] = self.angle >> 8
        buffer[2] = self.angle & 0xFF


class QuietConverter:
    level = 30000

    def read_u16(self):
        return self.level


class QuietADC:
    """Stand-in for `machine.ADC`."""

    def __init__(self):
        self.converter = QuietConverter()

    def __call__(self, pin):
        return self.converter


class QuietMachine:
    """Stand-in for the module `machine`."""

    def __init__(self):
        self.Pin = QuietPins()
        self.I2C = QuietBus()
        self.ADC = QuietADC()

    def unique_id(self):
        return b"QUIETBOX"

    def reset_cause(self):
        return 0

    def disable_irq(self):
        return 1

    def enable_irq(self, state):
        return None


class QuietLink:
    """Takes every slot and keeps the last."""

    def __init__(self):
        self.slots = 0

    def read_byte(self):
        return -1

    def has_room(self):
        return True

    def write_slot(self, slot):
        self.slots += 1


def build():
    """Return the machine, its clock, the board and its two amplifiers."""
    machine = QuietMachine()
    clock = QuietClock()
    board = standard_board.build(machine, clock, random_bytes=bytes)
    amplifiers = []
    for data, sck in standard_board.LOAD_PINS:
        amplifiers.append(QuietAmplifier(machine.Pin(data), machine.Pin(sck)))
    return machine, clock, board, amplifiers
