"""What both ways of reading an HX711 have in common: what a word is worth, and when to despair.

Figures are the data sheet's (Avia Semiconductor, Tables 2 and 3): 24 bits, most
significant first, two's complement; 25, 26 or 27 pulses in all choose input and
gain of the next conversion, and the 25th returns the line high; after a reset
or a change of gain it settles for four conversions, 400 ms at 10 a second.

The RATE pin gives 10 or 80 a second and nothing tells which: it shows in the
time between two conversions.  Everything that depends on the pace (too late,
one missing, no more coming) follows it, so that a part strapped for 10 reads as
a slow part and not as a broken one.

A part that is disturbed or resets itself while it is read lets go of the line,
which is then high to the last bit (users report 2**k - 1 and -1).  A word that
ends in twelve ones and is far from the one before is therefore `suspect`.  One
sound word in 4096 of a moving load ends so too: only after a jump that no load
makes is the part taken to have been reset, so that what follows may not have
settled.  The same goes for a part that comes back after a silence of three
periods.

A pulse too many between two readings makes the next conversion one of the
other input, and the filter starts over.  The lines show nothing of it.  The
value does: a load cannot make the filter fall to less than a quarter of a
steady value in one conversion, whatever the load does (that takes a swing to
the other side of zero), the filter that starts over does.  Such a word is
`suspect`, and what follows settles.  Below 65,536 counts nothing is said: there
a moving load may look so, and the error is bounded by that.

The clock line is read back while it is driven: one that does not follow is
shorted, and every sample that is lost by that says `line_held`.  Where the first
sound word comes though the line did not seem to follow, it is the reading back
that does not work (emulators of the chip do not loop an output back), and
nothing is concluded from it again.
"""

from box.wire import (
    NO_COUNTS,
    SAMPLE_FLAGS_DESYNC,
    SAMPLE_FLAGS_LATE_READ,
    SAMPLE_FLAGS_LINE_HELD,
    SAMPLE_FLAGS_NO_CONVERSION,
    SAMPLE_FLAGS_SATURATED_HIGH,
    SAMPLE_FLAGS_SATURATED_LOW,
    SAMPLE_FLAGS_SETTLING,
    SAMPLE_FLAGS_SUSPECT,
)

COUNTS_HIGH = 0x7FFFFF
COUNTS_LOW = -0x800000
PULSES_AFTER_DATA = {128: 1, 32: 2, 64: 3}
"""Gain to extra pulses.  Gain 32 is input B, 128 and 64 are input A."""

_GAIN_AFTER_RESET = 128
_SETTLING_CONVERSIONS = 4
_TIMEOUT_CONVERSIONS = 8  # after a reset the first conversion takes four periods
_SLOWER_TIMES = 8  # 80 a second against 10
_SLOW_FROM_PERIODS = 6
_FAST_BELOW_PERIODS = 4
_PATIENCE_US = 600000  # for a first conversion after a reset, whatever the pace
_RESET_AFTER_PERIODS = 3
_TORN_TAIL = 0xFFF
_TORN_JUMP = 1024  # a dozen times the noise, peak to peak, at 80 a second and gain 128
_RESET_JUMP = 16384  # more than a load moves between two conversions: 0.4 % of a 2 mV/V cell
_COLLAPSE_FROM = 65536  # 1.5 % of a 2 mV/V cell at gain 128
_COLLAPSE_TIMES = 4
_STEADY_SHARE = 16
_CALM_STEP = 16384  # less than any jump that asks for a closer look


class Hx711Reading:
    """`counts`, `flags` and `ready_ticks_us` of the newest sample, and the part's counters.

    `slow`: the part converts 10 times a second.

    No properties here: a class that has one makes MicroPython look for it at
    every assignment to an attribute, which then takes 26 us more on the RP2040.
    """

    def __init__(self, clock, rate_hz, sck):
        self._ticks_us = clock.ticks_us
        self._ticks_diff = clock.ticks_diff
        self._ticks_add = clock.ticks_add
        self._nominal_us = 1000000 // rate_hz
        self._gain = _GAIN_AFTER_RESET
        self._settling_left = 0
        self._deadline = 0
        self._quiet_since = 0
        self._follows = False  # the conversion before is known
        self._paced = False  # so is the time between two
        self._slow_intervals = 0
        self._before = 0
        self._step = 0  # from the one before that
        self._sck = sck.value
        self._line_flags = 0
        self._reads_back = True
        self._heard = False  # a sound word, ever
        self._calm = False  # nothing is settling, in doubt, or slow
        self._set_pace(self._nominal_us)
        self.ready_ticks_us = 0
        self.counts = NO_COUNTS
        self.flags = SAMPLE_FLAGS_NO_CONVERSION
        self.no_conversion_total = 0
        self.desync_total = 0
        self.saturated_total = 0
        self.discarded_total = 0
        self.late_read_total = 0

    def _set_pace(self, period_us):
        # The "80" is 80 to 94 a second, each part on its own clock: what is
        # read later than a period at 94 may have replaced another.
        self._period_us = period_us
        self.slow = period_us > self._nominal_us
        self._late_after_us = period_us * 85 // 100
        self._missing_after_us = period_us * 8 // 5
        self._timeout_us = period_us * _TIMEOUT_CONVERSIONS

    def _note_reset(self, now):
        """What follows is as after power-up, and must settle."""
        self._settle()
        self._quiet_since = now
        self._follows = False
        self._paced = False
        self._slow_intervals = 0

    def _settle(self):
        self._calm = False
        self._settling_left = _SETTLING_CONVERSIONS
        if self._gain != _GAIN_AFTER_RESET:
            self._settling_left += 1  # the first one after a reset is still at the old gain

    def _missing_before(self, ready_ticks_us, late):
        """Take the moment of a conversion; True when one seems to be missing before it."""
        interval_us = self._ticks_diff(ready_ticks_us, self._quiet_since)
        follows = self._follows
        self._quiet_since = ready_ticks_us
        self._deadline = self._ticks_add(ready_ticks_us, self._timeout_us)
        self._follows = not late  # read late, it may hide others, and that says it already
        if late or not follows:
            return False
        if interval_us > _RESET_AFTER_PERIODS * self._period_us:
            self._settle()
        missing = interval_us > self._missing_after_us
        self._follow_pace(interval_us)
        return missing

    def _follow_pace(self, interval_us):
        nominal_us = self._nominal_us
        if interval_us > _SLOW_FROM_PERIODS * nominal_us:
            self._slow_intervals += 1
            if self._slow_intervals == 2:
                self._set_pace(nominal_us * _SLOWER_TIMES)
        elif interval_us < _FAST_BELOW_PERIODS * nominal_us:
            self._slow_intervals = 0
            self._paced = True
            if self._period_us != nominal_us:
                self._set_pace(nominal_us)

    def _goes_on(self, ready_ticks_us, counts):
        """Accept a conversion at once when neither it nor those before ask for a closer look.

        Nearly all are of this kind, hence this short cut through `_look_closer`; False
        when it is not, and nothing has changed then.
        """
        if not self._calm:
            return False
        step = counts - self._before
        if (
            not -_CALM_STEP < step < _CALM_STEP
            or counts & _TORN_TAIL == _TORN_TAIL
            or counts == COUNTS_LOW
            or self._ticks_diff(ready_ticks_us, self._quiet_since) > self._missing_after_us
        ):
            return False
        self._quiet_since = ready_ticks_us
        self._deadline = self._ticks_add(ready_ticks_us, self._timeout_us)
        self._before = counts
        self._step = step
        self.counts = counts
        self.flags = 0
        return True

    def _look_closer(self, ready_ticks_us, counts, late):
        """Accept any other conversion, with what there is to say of it."""
        missing = self._missing_before(ready_ticks_us, late)
        self._accept(counts, late or missing)

    def _accept(self, counts, late):
        flags = 0
        restarted = False
        if counts == COUNTS_HIGH:
            flags = SAMPLE_FLAGS_SATURATED_HIGH
            self.saturated_total += 1
        elif counts == COUNTS_LOW:
            flags = SAMPLE_FLAGS_SATURATED_LOW
            self.saturated_total += 1
        elif counts & _TORN_TAIL == _TORN_TAIL and abs(counts - self._before) > _TORN_JUMP:
            flags = SAMPLE_FLAGS_SUSPECT
            restarted = abs(counts - self._before) > _RESET_JUMP
        else:
            before = self._before
            if before >= _COLLAPSE_FROM or before <= -_COLLAPSE_FROM:
                restarted = self._collapses(counts)
                if restarted:
                    flags = SAMPLE_FLAGS_SUSPECT
            self._step = counts - before
            self._before = counts
        if late:
            flags |= SAMPLE_FLAGS_LATE_READ
            self.late_read_total += 1
        if self._settling_left:
            self._settling_left -= 1
            flags |= SAMPLE_FLAGS_SETTLING
            self.discarded_total += 1
        if restarted:
            self._settle()
        if not self._heard:
            self._heard = True
            self._reads_back = not self._line_flags
        self._line_flags = 0
        self.counts = counts
        self.flags = flags
        self._calm = not flags and self._paced and not self.slow

    def _collapses(self, counts):
        """True when a steady value falls as only a filter that starts over does."""
        before = abs(self._before)
        return (
            not self._settling_left
            and abs(counts) * _COLLAPSE_TIMES < before
            and abs(self._step) * _STEADY_SHARE < before
        )

    def _check_clock_high(self):
        """Called while the clock line is driven high: does it follow?"""
        held = self._reads_back and not self._sck()
        self._line_flags = SAMPLE_FLAGS_LINE_HELD if held else 0

    def _refuse(self):
        """Bits and pulses no longer agree: neither value nor gain is known."""
        self._calm = False
        self.desync_total += 1
        self.counts = NO_COUNTS
        self.flags = SAMPLE_FLAGS_DESYNC | self._line_flags

    def _miss(self, now):
        """Nothing came in time; True when it is time to reset the part."""
        self._calm = False
        self.no_conversion_total += 1
        self.counts = NO_COUNTS
        if self._sck():  # it is driven low between two readings
            self._line_flags = SAMPLE_FLAGS_LINE_HELD
        self.flags = SAMPLE_FLAGS_NO_CONVERSION | self._line_flags
        self.ready_ticks_us = now
        self._deadline = self._ticks_add(now, self._timeout_us)
        patience_us = self._timeout_us if self._paced else _PATIENCE_US
        return self._ticks_diff(now, self._quiet_since) >= patience_us
