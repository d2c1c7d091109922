"""HX711 bridge amplifier, bit by bit at its two pins.

Figures from the Avia Semiconductor HX711 data sheet, Tables 2 and 3, Figures 2
and 3.  Where driver code does what the sheet forbids, the violation is
recorded with its time and its numbers, and the part does what it really would:
goes to sleep, mixes two words, or never raises DOUT.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from ..clock import VirtualClock
    from .pins import Pin

CODE_MAXIMUM = 0x7FFFFF
CODE_MINIMUM = -0x800000

T1_READY_TO_CLOCK_US = 0.1  # minimum
T2_CLOCK_TO_DATA_US = 0.1  # maximum
T3_HIGH_MINIMUM_US = 0.2
T3_HIGH_MAXIMUM_US = 50.0
T4_LOW_MINIMUM_US = 0.2
POWER_DOWN_US = 60.0
SETTLING_CONVERSIONS = 4
FILTER = (0.125, 0.375, 0.375, 0.125)
"""Weights of the last four conversions' inputs.

The sheet gives the settling time (4 conversions) and not the filter's shape:
this smooth one of the same length is our choice.
"""
FILTER_DELAY_CONVERSIONS = 1.5
SELECTIONS = {25: ("A", 128), 26: ("B", 32), 27: ("A", 64)}
NOISE_NANOVOLTS = {10: 50.0, 80: 90.0}
"""Input noise, RMS, at gain 128.  The sheet gives none for the other gains: the
same voltage is used there."""
TORN_WORDS = (0x7FFFFF, 0x3FFFFF, 0x1FFFFF, 0x0FFFFF, 0)
"""Words that users report from disturbed reads (issue 83 of bogde/HX711 on GitHub)."""
VIOLATIONS_KEPT = 1000


class Violation:
    """A rule of the data sheet that the code under test broke.

    ``rule`` is one of T1, T2, T3_minimum, T3_maximum, T4, too_few_pulses,
    too_many_pulses, not_ready; ``value`` is the time in us or the pulse count.
    """

    def __init__(self, at_us: float, rule: str, value: float) -> None:
        self.at_us = at_us
        self.rule = rule
        self.value = value

    def __repr__(self) -> str:
        return f"Violation(at_us={self.at_us}, rule={self.rule!r}, value={self.value})"


class HX711:
    """One chip.

    ``input_ratio(channel, at_us)`` is the differential input over the analogue
    supply (V/V), for input "A" or "B".  ``gauss(mean, sigma)`` draws noise
    (``random.Random.gauss``); None: noiseless.  ``rate_sps`` is what the RATE
    pin asks for (10 or 80) and ``clock_error`` the relative error of the chip's
    own oscillator: nominal "80" is 80 to 94 on real parts.
    """

    def __init__(
        self,
        clock: "VirtualClock",
        data_pin: "Pin",
        clock_pin: "Pin",
        input_ratio: "Callable[[str, int], float]",
        *,
        gauss: "Callable[[float, float], float] | None" = None,
        rate_sps: int = 80,
        clock_error: float = 0.0,
        supply_volts: float = 5.0,
        offset_volts: float = 0.0,
    ) -> None:
        self.rate_sps = rate_sps
        self.clock_error = clock_error
        self.supply_volts = supply_volts
        self.offset_volts = offset_volts
        self.violations: list[Violation] = []
        self.violations_total = 0
        self.conversions_total = 0
        self.overwritten_total = 0
        self.torn_total = 0
        self.resets_total = 0
        self.last_code = 0
        self._clock = clock
        self._data_pin = data_pin
        self._clock_pin = clock_pin
        self._input_ratio = input_ratio
        self._gauss = gauss
        self._tear_words: list[int] = []
        self._generation = 0
        self.power_on()

    # --- life ----------------------------------------------------------------------

    @property
    def period_us(self) -> float:
        """Microseconds from conversion to conversion."""
        return 1e6 / (self.rate_sps * (1.0 + self.clock_error))

    @property
    def gain(self) -> int:
        """Gain of the conversion now in progress."""
        return self._gain

    @property
    def was_read(self) -> bool:
        """Whether the latest conversion has been clocked out and none is ready yet."""
        return self._pulses >= 25 and not self._ready

    def power_on(self) -> None:
        """Start as after power-up: channel A, gain 128, nothing settled."""
        self._clock_pin.on_write = self.clock_changed
        self._data_pin.on_read = self.data_read
        self.resets_total += 1
        self._channel, self._gain = SELECTIONS[25]
        self._history = [0.0] * len(FILTER)
        self._word = 0
        self._pulses = 0
        self._ready = False
        self._ready_us = 0.0
        self._rose_us = -1.0
        self._fell_us = -1.0
        self._asleep = False
        self._generation += 1
        self._data_pin.drive(1)
        self._due_us = self._clock.now_us + self.period_us
        self._schedule()

    def power_off(self) -> None:
        """Take the supply away."""
        self._clock_pin.on_write = None
        self._data_pin.on_read = None
        self._generation += 1
        self._data_pin.drive(None)

    def tear_next(self, word: int = TORN_WORDS[1]) -> None:
        """Let the next conversion read as ``word``: a disturbed read."""
        self._tear_words.append(word)

    def skip_next(self) -> None:
        """Let the next conversion come a period late: one is missing."""
        self._due_us += self.period_us
        self._generation += 1
        self._schedule()

    # --- conversions -----------------------------------------------------------------

    def _schedule(self) -> None:
        generation = self._generation
        self._clock.schedule_at(int(self._due_us + 0.5), lambda: self._convert(generation))

    def _convert(self, generation: int) -> None:
        if generation != self._generation or self._sleeping(self._clock.now_us):
            return
        code = self._measure()
        self._close_reading()  # selects for the conversion that begins now
        if self._tear_words:
            code = self._tear_words.pop(0)
        self.conversions_total += 1
        self.last_code = code
        self._word = code & 0xFFFFFF
        self._pulses = 0
        self._ready = True
        self._ready_us = self._clock.now_us
        self._due_us += self.period_us
        self._schedule()
        self._data_pin.drive(0)

    def _close_reading(self) -> None:
        """Judge what was clocked out since the last conversion, and select the next."""
        pulses = self._pulses
        if pulses == 0:
            if self._ready:
                self.overwritten_total += 1
            return
        if pulses < 25:
            self.torn_total += 1
            self._violate("too_few_pulses", pulses)
            return
        selection = SELECTIONS[min(pulses, 27)]
        if selection != (self._channel, self._gain):
            self._channel, self._gain = selection
            self._history = [0.0] * len(FILTER)

    def _measure(self) -> int:
        ratio = self._input_ratio(self._channel, self._clock.now_us)
        history = self._history
        history.append(ratio)
        del history[0]
        ratio = (
            FILTER[0] * history[0]
            + FILTER[1] * history[1]
            + FILTER[2] * history[2]
            + FILTER[3] * history[3]
        )
        volts = self.offset_volts
        if self._gauss is not None:
            volts += self._gauss(0.0, NOISE_NANOVOLTS[self.rate_sps] * 1e-9)
        # One step is AVDD / (gain * 2**24): full scale is +-0.5 AVDD / gain.
        code = round((ratio + volts / self.supply_volts) * self._gain * 16777216.0)
        return max(CODE_MINIMUM, min(CODE_MAXIMUM, code))

    # --- pins ------------------------------------------------------------------------

    def clock_changed(self, level: int, now_us: float) -> None:
        """PD_SCK went to ``level``."""
        if level:
            self._clock_rose(now_us)
            return
        high_us = now_us - self._rose_us
        self._fell_us = now_us
        if not T3_HIGH_MINIMUM_US <= high_us <= T3_HIGH_MAXIMUM_US:
            self._odd_pulse(high_us, now_us)
        self._rose_us = -1.0

    def data_read(self, now_us: float) -> None:
        """DOUT is being looked at: too soon after a clock edge is a violation."""
        if self._rose_us < 0.0:
            return
        since_rise_us = now_us - self._rose_us
        if since_rise_us < T2_CLOCK_TO_DATA_US:
            self._violate("T2", since_rise_us)
        elif since_rise_us > POWER_DOWN_US:
            self._sleeping(now_us)

    def _clock_rose(self, now_us: float) -> None:
        self._rose_us = now_us
        pulses = self._pulses + 1
        if pulses > 1:
            if now_us - self._fell_us < T4_LOW_MINIMUM_US:
                self._violate("T4", now_us - self._fell_us)
        elif not self._ready:
            # Nothing to read: DOUT stays high, so the code will see all ones.
            self._violate("not_ready", 1)
            return
        elif now_us - self._ready_us < T1_READY_TO_CLOCK_US:
            self._violate("T1", now_us - self._ready_us)
        self._pulses = pulses
        if pulses <= 24:
            bit = (self._word >> (24 - pulses)) & 1
            if bit != self._data_pin.level:
                self._data_pin.drive(bit)
        elif pulses == 25:
            self._ready = False
            self._data_pin.drive(1)
        elif pulses > 27:
            self._violate("too_many_pulses", pulses)

    def _odd_pulse(self, high_us: float, now_us: float) -> None:
        """Judge a clock pulse that is too short or too long."""
        reading = 1 < self._pulses <= 24
        if high_us < T3_HIGH_MINIMUM_US:
            self._violate("T3_minimum", high_us)
        elif high_us <= POWER_DOWN_US or reading:
            # Longer still is the power-down command, unless it cuts a reading short.
            self._violate("T3_maximum", high_us)
        if self._sleeping(now_us):
            self.power_on()

    def _sleeping(self, now_us: float) -> bool:
        """Fall asleep when the clock line has been high too long."""
        if not self._asleep and self._rose_us >= 0.0 and now_us - self._rose_us > POWER_DOWN_US:
            self._asleep = True
            self._generation += 1
            self._data_pin.drive(1)
        return self._asleep

    def _violate(self, rule: str, value: float) -> None:
        self.violations_total += 1
        if len(self.violations) < VIOLATIONS_KEPT:
            self.violations.append(Violation(self._clock.now_us, rule, value))
