"""HX711 bridge amplifier, clocked by a state machine of the RP2040: no Python between the bits.

The state machine waits for the data line itself, gives all pulses, and hands
over one word: the number of the conversion (three bits), its 24 bits, and what
the line said after each pulse beyond them, which must be high.  Then it raises
its interrupt, and the handler stamps the time and empties the FIFO into a ring.

Why the stamp comes after the word and not at the edge: one interrupt then
belongs to one word, and the two can never be mixed up.  The program takes the
same time for every conversion, so the moment of the edge is known just as well.
A pin interrupt on the data line would fire up to twelve times more in each
word.  Why the handler takes the word at once: it runs during a collection of
garbage, too, so the ring (16 words) bridges whatever the main loop does, and
the FIFO (8 words) whatever keeps interrupts off, such as a flash write.
"""

# ruff: noqa: F821 - the assembler brings its own names into the decorated function

import rp2

from drivers.hx711_reading import PULSES_AFTER_DATA, Hx711Reading

FREQUENCY_HZ = 2000000
"""Half a microsecond a step: the clock is high for 1 us and low for 1 us."""

_DATA_BITS = 24
_RING = 16  # a power of two
_NUMBERS = 7  # the mask of a conversion's number
_STEPS_BEFORE_PULSES = 7
_STEPS_A_PULSE = 4
_STEPS_AFTER_PULSES = 2
_INTO_RESET_US = 10  # of the 128 for which the program begins with a high clock
# Machine code for `exec`, side-set bit clear: RP2040 data sheet, section 3.4.
_SET_X = 0xE020
_MOVE_X_TO_OSR = 0xA0E1


@rp2.asm_pio(
    sideset_init=rp2.PIO.OUT_LOW,
    in_shiftdir=rp2.PIO.SHIFT_LEFT,
    fifo_join=rp2.PIO.JOIN_RX,
)
def hx711_program():
    # From the top, a reset: 128 us of high clock put the chip to sleep (60 us would do).
    mov(isr, null).side(1)
    set(x, 31).side(1)
    label("asleep")
    jmp(x_dec, "asleep").side(1)[7]
    wrap_target()
    label("idle")
    # High first: a line stuck low stops here after one word, instead of giving words for ever.
    wait(1, pin, 0).side(0)
    wait(0, pin, 0).side(0)
    mov(x, osr).side(0)[1]
    jmp(pin, "idle").side(0)  # high again after 1 us: a disturbance, not a conversion
    jmp(y_dec, "numbered").side(0)
    label("numbered")
    in_(y, 3).side(0)
    label("pulse")
    nop().side(1)[1]
    in_(pins, 1).side(0)
    jmp(x_dec, "pulse").side(0)
    push(noblock).side(0)  # full: the word is lost, and the gap in the numbers says so
    irq(rel(0)).side(0)
    wrap()


class Hx711Pio(Hx711Reading):
    """After `poll` says True: `counts`, `flags` and `ready_ticks_us` of one sample."""

    def __init__(self, number, data, sck, machine, clock, rate_hz):
        Hx711Reading.__init__(self, clock, rate_hz, sck)
        self._sleep_us = clock.sleep_us
        self._data = data.value
        self._disable_irq = machine.disable_irq
        self._enable_irq = machine.enable_irq
        self._machine = rp2.StateMachine(
            number,
            hx711_program,
            freq=FREQUENCY_HZ,
            in_base=data,
            jmp_pin=data,
            sideset_base=sck,
        )
        # Bound once: the handler must not allocate, and looking a method up does.
        self._waiting = self._machine.rx_fifo
        self._get = self._machine.get
        self._words = [0] * _RING
        self._stamps = [0] * _RING
        self._doubts = [False] * _RING
        self._newest = 0
        self._oldest = 0
        self._overrun = False
        self._awaited = -1
        self._set_pulses()

    def start(self, gain):
        """Watch the data line and bring the chip into a known state."""
        self._gain = gain
        self._machine.irq(handler=self._on_word, hard=True)
        self._reset_chip()
        self._deadline = self._ticks_add(self._ticks_us(), self._timeout_us)

    def set_gain(self, gain):
        """Change the gain, by way of a reset; what follows is flagged `settling`."""
        if gain != self._gain:
            self._gain = gain
            self._reset_chip()

    def poll(self, now):
        """Take a conversion out of the ring; True when there is a sample to take."""
        if self._oldest != self._newest:
            self._take()
            return True
        if self._ticks_diff(now, self._deadline) < 0:
            return False
        return self._time_out(now)

    def wait_us(self, now):
        """Microseconds until `poll` has something to do without an edge; 0: at once."""
        if self._oldest != self._newest:
            return 0
        return self._ticks_diff(self._deadline, now)

    def _on_word(self, _machine):
        # Runs as a hard interrupt: no allocation, nothing slow.
        stamp = self._ticks_us()
        left = self._waiting()
        # More than one word: interrupts were off, and only the newest has its moment.
        doubt = left != 1
        while left:  # a word that comes meanwhile brings its own interrupt
            left -= 1
            word = self._get()
            following = (self._newest + 1) & (_RING - 1)
            if following == self._oldest:
                self._overrun = True  # the main loop was away for 16 conversions
                continue
            at = self._newest
            self._words[at] = word
            self._stamps[at] = stamp
            self._doubts[at] = doubt or self._overrun
            self._overrun = False
            self._newest = following

    def _take(self):
        # At most eleven words of variables and arguments: more would need room on the heap.
        at = self._oldest
        word = self._words[at]
        late = self._doubts[at]
        ready = self._ticks_add(self._stamps[at], self._edge_us)
        self._oldest = (at + 1) & (_RING - 1)
        self.ready_ticks_us = ready
        if word >> self._pulses & _NUMBERS != self._awaited and self._awaited >= 0:
            late = True  # the FIFO was full
        self._awaited = (word >> self._pulses) - 1 & _NUMBERS
        if word & self._tail_mask != self._tail_mask:
            self._deadline = self._ticks_add(ready, self._timeout_us)
            self._reset_chip()
            self._refuse()
            return
        word = word >> self._tail_bits & 0xFFFFFF
        if word & 0x800000:
            word -= 0x1000000
        if late or not self._goes_on(ready, word):
            self._look_closer(ready, word, late)

    def _time_out(self, now):
        if self._overrun:
            # Conversions did come, while the ring was full: the next one says so.
            self._deadline = self._ticks_add(now, self._timeout_us)
            return False
        if not self._data():
            # Low, and the state machine does not see it fall: it waits for it to rise.
            self.ready_ticks_us = now
            self._deadline = self._ticks_add(now, self._timeout_us)
            self._reset_chip()
            self._refuse()
        elif self._miss(now):
            self._reset_chip()
        return True

    def _set_pulses(self):
        self._tail_bits = PULSES_AFTER_DATA[self._gain]
        self._tail_mask = (1 << self._tail_bits) - 1
        self._pulses = _DATA_BITS + self._tail_bits
        steps = _STEPS_BEFORE_PULSES + _STEPS_A_PULSE * self._pulses + _STEPS_AFTER_PULSES
        self._edge_us = -(steps * 1000000 // FREQUENCY_HZ)  # from the stamp

    def _reset_chip(self):
        """Start the program over, which begins with the pulse that resets the chip."""
        machine = self._machine
        state = self._disable_irq()
        machine.active(0)
        self._set_pulses()
        machine.exec(_SET_X | self._pulses - 1)
        machine.exec(_MOVE_X_TO_OSR)
        machine.restart()
        while self._waiting():
            self._get()
        self._oldest = self._newest
        self._overrun = False
        self._awaited = -1
        machine.active(1)
        self._sleep_us(_INTO_RESET_US)
        self._check_clock_high()
        self._enable_irq(state)
        self._note_reset(self._ticks_us())
