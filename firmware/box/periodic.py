"""A thing to be done every so many microseconds of the device clock."""


class Periodic:
    """`next_us`: the ticks at which it is due."""

    def __init__(self, clock, period_us):
        self._ticks_diff = clock.ticks_diff
        self._ticks_add = clock.ticks_add
        self.period_us = period_us
        self.next_us = clock.ticks_us()

    def restart(self, now, period_us):
        """Be due one new period after `now`."""
        self.period_us = period_us
        self.next_us = self._ticks_add(now, period_us)

    def due(self, now):
        """True once for each period; periods that were missed whole are not made up for.

        Late or not, the next one is due when it would have been: being late costs no rate.
        """
        late_us = self._ticks_diff(now, self.next_us)
        if late_us < 0:
            return False
        period_us = self.period_us
        if late_us >= period_us:
            late_us %= period_us
            self.next_us = self._ticks_add(now, period_us - late_us)
        else:
            self.next_us = self._ticks_add(self.next_us, period_us)
        return True

    def wait_us(self, now):
        """Microseconds until due; 0 or less when it is due already."""
        return self._ticks_diff(self.next_us, now)
