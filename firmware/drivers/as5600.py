"""AS5600 magnetic angle sensor (ams data sheet v1-06; STATUS masks from an open driver).

One burst reads STATUS (0x0B) and RAW ANGLE (0x0C high, 0x0D low): both bytes
of the angle and the magnet's state belong to the same moment.  RAW ANGLE, not
ANGLE, which has a ten-count hysteresis at the wrap.  Nothing is ever written
to the part: its settings can be burned for good, so the host scales instead.

A bus that fails is tried again after a pause that grows, so that a dead angle
sensor costs the force channels nothing; meanwhile every sample says so.
"""

from box.wire import (
    NO_COUNTS,
    SAMPLE_FLAGS_BUS_ERROR,
    SAMPLE_FLAGS_LINE_HELD,
    SAMPLE_FLAGS_MAGNET_MISSING,
    SAMPLE_FLAGS_MAGNET_STRONG,
    SAMPLE_FLAGS_MAGNET_WEAK,
)

ADDRESS = 0x36
COUNTS_HIGH = 4095
COUNTS_PER_TURN = 4096

_STATUS = 0x0B
_AGC = 0x1A
_MAGNET_DETECTED = 0x20
_MAGNET_WEAK = 0x10
_MAGNET_STRONG = 0x08
_MAGNET = _MAGNET_DETECTED | _MAGNET_WEAK | _MAGNET_STRONG
_GAIN_EVERY = 16  # the gain follows temperature and wear: slow
_FIRST_PAUSE_US = 10000
_LONGEST_PAUSE_US = 1000000
_FREE_AFTER_FAILURES = 3


class As5600:
    """After `read`: `counts`, `flags`, `sensor_status` and `sensor_gain` of one sample."""

    invalid_transitions_total = 0

    def __init__(self, bus, clock):
        self._bus = bus
        self._ticks_diff = clock.ticks_diff
        self._ticks_add = clock.ticks_add
        self._burst = bytearray(3)
        self._agc = bytearray(1)
        self._until_gain = 0
        self._failures = 0
        self._pause_us = _FIRST_PAUSE_US
        self._retry_at = 0
        self._lines_tell = True
        self.counts = NO_COUNTS
        self.flags = 0
        self.sensor_status = 0
        self.sensor_gain = 0
        self.bus_error_total = 0

    def read(self, now):
        """Take one reading at `now`; a failure is a flag, never an exception."""
        if self._failures:
            if self._ticks_diff(now, self._retry_at) < 0:
                return  # still pausing: the last sample's bus error stands
            if self._failures >= _FREE_AFTER_FAILURES:
                self._bus.free()
        try:
            self._bus.read_into(ADDRESS, _STATUS, self._burst)
            if not self._until_gain:
                self._read_gain()
        except OSError:
            self._fail(now)
            return
        self._until_gain -= 1
        self._accept(self._burst)

    def _read_gain(self):
        """Now and then, and after every fault."""
        self._bus.read_into(ADDRESS, _AGC, self._agc)
        self.sensor_gain = self._agc[0]
        self._until_gain = _GAIN_EVERY
        # Lines that look held after a good transfer cannot be read (emulators of the
        # chip keep the bus off its pins): then they tell nothing of a bad one either.
        self._lines_tell = not self._bus.held()
        self._failures = 0
        self._pause_us = _FIRST_PAUSE_US

    def _accept(self, burst):
        status = burst[0]
        self.sensor_status = status
        self.counts = (burst[1] & 0x0F) << 8 | burst[2]
        self.flags = 0
        if status & _MAGNET != _MAGNET_DETECTED:
            self._judge_magnet(status)

    def _judge_magnet(self, status):
        if not status & _MAGNET_DETECTED:
            self.counts = NO_COUNTS  # the register holds a number, but it measures nothing
            self.flags = SAMPLE_FLAGS_MAGNET_MISSING
            return
        if status & _MAGNET_WEAK:
            self.flags |= SAMPLE_FLAGS_MAGNET_WEAK
        if status & _MAGNET_STRONG:
            self.flags |= SAMPLE_FLAGS_MAGNET_STRONG

    def _fail(self, now):
        self.bus_error_total += 1
        self._failures += 1
        self._retry_at = self._ticks_add(now, self._pause_us)
        self._pause_us = min(2 * self._pause_us, _LONGEST_PAUSE_US)
        self._until_gain = 0
        self.counts = NO_COUNTS
        self.flags = SAMPLE_FLAGS_BUS_ERROR
        if self._lines_tell and self._bus.held():
            self.flags |= SAMPLE_FLAGS_LINE_HELD
        self.sensor_status = 0
        self.sensor_gain = 0
