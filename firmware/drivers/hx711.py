"""HX711 bridge amplifier, clocked by hand: for boards without programmable I/O.

The data line falls when a conversion is ready.  A clock high for more than
60 us puts the chip to sleep, and the return to low resets it (data sheet).

The falling edge is time-stamped in a pin interrupt, because a conversion's
moment must not depend on what the main loop was doing.  The bits are clocked
from the main loop with interrupts off around each high half only: the low half
may last as long as it likes, the high half may not.
"""

from drivers.hx711_reading import PULSES_AFTER_DATA, Hx711Reading
from drivers.pin_interrupt import watch

_SLEEP_PULSE_US = 80


class Hx711(Hx711Reading):
    """After `poll` says True: `counts`, `flags` and `ready_ticks_us` of one sample."""

    def __init__(self, data, sck, machine, clock, rate_hz):
        Hx711Reading.__init__(self, clock, rate_hz, sck)
        self._data = data.value
        self._disable_irq = machine.disable_irq
        self._enable_irq = machine.enable_irq
        self._sleep_us = clock.sleep_us
        self._falling = machine.Pin.IRQ_FALLING
        self._data_pin = data
        self._edges = 0
        # Not `ready_ticks_us`: an edge may come while the sample before it is still being taken.
        self._edge_ticks_us = 0
        self._clocking = True  # until `start`, edges mean nothing

    def start(self, gain):
        """Watch the data line and bring the chip into a known state."""
        self._gain = gain
        watch(self._data_pin, self._on_edge, self._falling)
        self._reset_chip()
        self._deadline = self._ticks_add(self._ticks_us(), self._timeout_us)

    def set_gain(self, gain):
        """Change the gain from the next read on; what follows is flagged `settling`."""
        if gain != self._gain:
            self._gain = gain
            self._calm = False
            self._settling_left = 5  # four, and the next one is still at the old gain

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
            self._edge_ticks_us = self._ticks_us()
            self._edges += 1

    def _read(self):
        self._clocking = True
        if self._data():
            self._listen()  # a disturbance on the line: nothing is ready
            return False
        self.ready_ticks_us = self._edge_ticks_us
        late = (
            self._edges > 1
            or self._ticks_diff(self._ticks_us(), self.ready_ticks_us) > self._late_after_us
        )
        counts = self._clock_in()
        if self._data():
            if late or not self._goes_on(self.ready_ticks_us, counts):
                self._look_closer(self.ready_ticks_us, counts, late)
            self._listen()
        else:
            # No `_listen` here: a line stuck low would be read again at once,
            # for ever; the timeout retries it.
            self._deadline = self._ticks_add(self.ready_ticks_us, self._timeout_us)
            self._reset_chip()
            self._refuse()
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

    def _time_out(self, now):
        if not self._data():
            # Low without an edge seen: read it, its moment is only known to be past.
            self._edge_ticks_us = now
            self._edges = 2
            return self._read()
        if self._miss(now):
            self._reset_chip()
        return True

    def _reset_chip(self):
        self._clocking = True
        self._sck(1)
        self._sleep_us(_SLEEP_PULSE_US)
        self._check_clock_high()
        self._sck(0)
        self._note_reset(self._ticks_us())
        self._edges = 0
        self._clocking = False
