"""A thing to be done every so many microseconds of the device clock."""


class Periodic:
    def __init__(self, clock, period_us):
        self._ticks_diff = clock.ticks_diff
        self._ticks_add = clock.ticks_add
        self.period_us = period_us
        self._next = clock.ticks_us()

    def restart(self, now, period_us):
        """Be due one new period after `now`."""
        self.period_us = period_us
        self._next = self._ticks_add(now, period_us)

    def due(self, now):
        """True once for each period; periods that were missed whole are not made up for."""
        if self._ticks_diff(now, self._next) < 0:
            return False
        self._next = self._ticks_add(self._next, self.period_us)
        if self._ticks_diff(now, self._next) >= 0:
            self._next = self._ticks_add(now, self.period_us)
        return True

    def wait_us(self, now):
        """Microseconds until due; 0 or less when it is due already."""
        return self._ticks_diff(self._next, now)
