"""Free memory: when garbage is collected, and what is left then.

A collection takes 7 to 18 ms on the RP2040, and to ask for the free memory 9 ms
more, because either walks through the whole heap.  So both are rare, each in an
idle turn of its own.  In between a status adds about 1 KB twice a second, and a
sample nothing.  A load that makes more, like texts being stored, brings on a
collection by itself.
"""

from box.periodic import Periodic

_PERIOD_US = 20000000


class Memory:
    """`free_bytes`: after the newest collection, so without garbage; 0 where it is not known.

    `due`: there is work to do in an idle turn.
    """

    def __init__(self, board, clock):
        self._collect = board.collect_garbage
        self._weigh = board.heap_free_bytes
        self._timer = Periodic(clock, _PERIOD_US)
        self._timer.restart(clock.ticks_us(), _PERIOD_US)
        self._collected = False
        self.due = False
        self._collect()
        self.free_bytes = self._weigh()

    def look_at_clock(self, now):
        if self._timer.due(now):
            self.due = True

    def tidy(self):
        """One of the two."""
        if self._collected:
            self.free_bytes = self._weigh()
            self.due = False
        else:
            self._collect()
        self._collected = not self._collected
