"""HX711 bridge amplifier, clocked by hand.

Figures are the data sheet's (Avia Semiconductor, Tables 2 and 3): the data
line falls when a conversion is ready; 24 bits follow, most significant first,
two's complement; 25, 26 or 27 pulses in all choose the next conversion's gain,
and the 25th returns the line high; a clock high for more than 60 us puts the
chip to sleep, and the return to low resets it; after a reset or a change of
gain it settles for four conversions.

The falling edge is time-stamped in a pin interrupt, because a conversion's
moment must not depend on what the main loop was doing.  The bits are clocked
from the main loop with interrupts off around each high half only: the low half
may last as long as it likes, the high half may not.
"""

from box.wire import (
    NO_COUNTS,
    SAMPLE_FLAGS_DESYNC,
    SAMPLE_FLAGS_LATE_READ,
    SAMPLE_FLAGS_NO_CONVERSION,
    SAMPLE_FLAGS_SATURATED_HIGH,
    SAMPLE_FLAGS_SATURATED_LOW,
    SAMPLE_FLAGS_SETTLING,
    SAMPLE_FLAGS_SUSPECT,
)

COUNTS_HIGH = 0x7FFFFF
COUNTS_LOW = -0x800000
PULSES_AFTER_DATA = {128: 1, 64: 3}
"""Gain to extra pulses.  Gain 32 is missing: it is another input, not another gain."""

_GAIN_AFTER_RESET = 128
_SETTLING_CONVERSIONS = 4
_SLEEP_PULSE_US = 80
_TIMEOUT_CONVERSIONS = 8  # after a reset the first conversion takes four periods
_FASTEST_IN_PERCENT = 118  # the "80" is 80 to 94 a second, each chip on its own clock
_SUSPECT_FROM = 0xFFFF  # a torn read repeats one bit to the end: 2**k - 1, large k; or -1


class Hx711:
    """After `poll` says True: `counts`, `flags` and `ready_ticks_us` of one sample."""

    def __init__(self, data, sck, machine, clock, rate_hz):
        self._data = data.value
        self._sck = sck.value
        self._disable_irq = machine.disable_irq
        self._enable_irq = machine.enable_irq
        self._ticks_us = clock.ticks_us
        self._ticks_diff = clock.ticks_diff
        self._ticks_add = clock.ticks_add
        self._sleep_us = clock.sleep_us
        self._falling = machine.Pin.IRQ_FALLING
        self._data_pin = data
        self._timeout_us = _TIMEOUT_CONVERSIONS * 1000000 // rate_hz
        self._late_after_us = 100000000 // (rate_hz * _FASTEST_IN_PERCENT)
        self._gain = _GAIN_AFTER_RESET
        self._edges = 0
        self._clocking = True  # until `start`, edges mean nothing
        self._settling_left = 0
        self._deadline = 0
        self.ready_ticks_us = 0
        self.counts = NO_COUNTS
        self.flags = SAMPLE_FLAGS_NO_CONVERSION
        self.no_conversion_total = 0
        self.desync_total = 0
        self.saturated_total = 0
        self.discarded_total = 0
        self.late_read_total = 0

    def start(self, gain):
        """Watch the data line and bring the chip into a known state."""
        self._gain = gain
        self._data_pin.irq(handler=self._on_edge, trigger=self._falling, hard=True)
        self._reset_chip()
        self._deadline = self._ticks_add(self._ticks_us(), self._timeout_us)

    def set_gain(self, gain):
        """Change the gain from the next read on; what follows is flagged `settling`."""
        if gain != self._gain:
            self._gain = gain
            self._settling_left = _SETTLING_CONVERSIONS + 1  # the next is still at the old gain

    def poll(self, now):
        """Read the conversion if one is ready; True when there is a sample to take."""
        if self._edges:
            return self._read()
        if self._ticks_diff(now, self._deadline) < 0:
            return False
        return self._time_out(now)

    def wait_us(self, now):
        """Microseconds until `poll` has something to do without an edge; 0: at once."""
        if self._edges:
            return 0
        return self._ticks_diff(self._deadline, now)

    def _on_edge(self, _pin):
        # Runs as a hard interrupt: no allocation, nothing slow.  Counted, not
        # just noted: a second edge before the read means a lost conversion.
        if not self._clocking:
            self.ready_ticks_us = self._ticks_us()
            self._edges += 1

    def _read(self):
        self._clocking = True
        if self._data():
            self._listen()  # a disturbance on the line: nothing is ready
            return False
        late = (
            self._edges > 1
            or self._ticks_diff(self._ticks_us(), self.ready_ticks_us) > self._late_after_us
        )
        self._deadline = self._ticks_add(self.ready_ticks_us, self._timeout_us)
        counts = self._clock_in()
        if self._data():
            self._accept(counts, late)
            self._listen()
        else:
            self._refuse_desync()
        return True

    def _listen(self):
        self._edges = 0
        self._clocking = False
        if not self._edges and not self._data():
            self._on_edge(None)  # it fell before edges were watched again

    def _clock_in(self):
        sck = self._sck
        data = self._data
        disable_irq = self._disable_irq
        enable_irq = self._enable_irq
        counts = 0
        for _ in range(24):
            state = disable_irq()
            sck(1)
            sck(0)
            enable_irq(state)
            counts = counts << 1 | data()  # the bit stands until the next rising edge
        for _ in range(PULSES_AFTER_DATA[self._gain]):
            state = disable_irq()
            sck(1)
            sck(0)
            enable_irq(state)
        if counts & 0x800000:
            return counts - 0x1000000
        return counts

    def _accept(self, counts, late):
        flags = 0
        if counts == COUNTS_HIGH:
            flags = SAMPLE_FLAGS_SATURATED_HIGH
            self.saturated_total += 1
        elif counts == COUNTS_LOW:
            flags = SAMPLE_FLAGS_SATURATED_LOW
            self.saturated_total += 1
        elif counts == -1 or (counts >= _SUSPECT_FROM and not counts & (counts + 1)):
            flags = SAMPLE_FLAGS_SUSPECT
        if late:
            flags |= SAMPLE_FLAGS_LATE_READ
            self.late_read_total += 1
        if self._settling_left:
            self._settling_left -= 1
            flags |= SAMPLE_FLAGS_SETTLING
            self.discarded_total += 1
        self.counts = counts
        self.flags = flags

    def _refuse_desync(self):
        # Bits and pulses no longer agree, so neither the value nor the gain of
        # the next one is known.  No `_listen` level check here: a line stuck
        # low would be read again at once, for ever; the timeout retries it.
        self.desync_total += 1
        self.counts = NO_COUNTS
        self.flags = SAMPLE_FLAGS_DESYNC
        self._reset_chip()

    def _time_out(self, now):
        if not self._data():
            # Low without an edge seen: read it, its moment is only known to be past.
            self.ready_ticks_us = now
            self._edges = 2
            return self._read()
        self.no_conversion_total += 1
        self.counts = NO_COUNTS
        self.flags = SAMPLE_FLAGS_NO_CONVERSION
        self.ready_ticks_us = now
        self._deadline = self._ticks_add(now, self._timeout_us)
        self._reset_chip()
        return True

    def _reset_chip(self):
        self._clocking = True
        self._sck(1)
        self._sleep_us(_SLEEP_PULSE_US)
        self._sck(0)
        self._settling_left = _SETTLING_CONVERSIONS
        if self._gain != _GAIN_AFTER_RESET:
            self._settling_left += 1
        self._edges = 0
        self._clocking = False
