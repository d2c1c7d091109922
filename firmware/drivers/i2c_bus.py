"""An I2C bus that can free itself from a part that holds its data line low."""

_TIMEOUT_US = 3000
"""The port's own default is 50 ms: four force conversions would be lost in one stuck transfer.
Below 1 ms the interrupts of two amplifiers and of the USB port, all within the 0.1 ms of one
transfer, could pass for a fault of the bus."""

_FREEING_PULSES = 9
"""A part stuck in mid-byte lets go after at most eight bits and the acknowledge
(bus clear in the I2C-bus specification, UM10204; from memory)."""


class I2cBus:
    def __init__(self, machine, clock, number, sda, scl, frequency_hz):
        self._machine = machine
        self._sleep_us = clock.sleep_us
        self._number = number
        self._sda = sda
        self._scl = scl
        self._frequency_hz = frequency_hz
        self._open()

    def _open(self):
        pin = self._machine.Pin
        self._lines = (pin(self._scl), pin(self._sda))
        bus = self._machine.I2C(
            self._number,
            scl=self._lines[0],
            sda=self._lines[1],
            freq=self._frequency_hz,
            timeout=_TIMEOUT_US,
        )
        self.read_into = bus.readfrom_mem_into
        """(address, register, buffer); raises OSError."""

    def held(self):
        """True when a line is low though nothing is under way: a short, or a part that hangs."""
        return not (self._lines[0].value() and self._lines[1].value())

    def free(self):
        """Clock a stuck part out and take the bus again."""
        pin = self._machine.Pin
        for _ in range(_FREEING_PULSES):
            # Open drain by hand: pull low, or let go; never drive high.
            pin(self._scl, pin.OUT).value(0)
            self._sleep_us(5)
            pin(self._scl, pin.IN, pin.PULL_UP)
            self._sleep_us(5)
        self._open()
