"""What both ways of following a quadrature encoder have in common.

A way of following gives one word when asked: the lower sixteen bits count
quarter lines (x4, signed, from power-up), the next twelve count transitions
that make no sense, which is both lines changing at once: an edge was lost, or
the wiring is bad.  The sample says so with the flag `suspect`, once, and with its
counter for good.

An index line, where there is one, makes the angle absolute: from the first
index on, counts are counted from there, and the status says so.  An index that
comes elsewhere than after whole turns means that counts were lost.
"""

from box.wire import NO_COUNTS, SAMPLE_FLAGS_NO_CONVERSION, SAMPLE_FLAGS_SUSPECT

from drivers.pin_interrupt import watch

COUNTS_HIGH = (1 << 29) - 1
COUNTS_LOW = -(1 << 29)
STATUS_INDEX_SEEN = 1
STATUS_INDEX_ASTRAY = 2

_COUNT_MASK = 0xFFFF
_COUNT_HALF = 0x8000
_INVALID_MASK = 0xFFF
_ASTRAY_SHARE = 100  # of a turn: what an interrupt may come late


class QuadratureReading:
    """After `read`: `counts`, `flags` and `sensor_status` of one sample.

    `_raw()`: the word, or -1 when there is none.  `_index_word`: the word at
    the newest index, or -1.
    """

    sensor_gain = 0
    bus_error_total = 0

    def __init__(self, counts_per_turn):
        self._counts_per_turn = counts_per_turn
        self._position = 0
        self._last_count = 0
        self._last_invalid = 0
        self._zero = 0
        self._index_word = -1
        self.counts = NO_COUNTS
        self.flags = 0
        self.sensor_status = 0
        self.invalid_transitions_total = 0

    def _watch_index(self, pin, rising):
        # Called once a turn: Python is fast enough for that.
        watch(pin, self._on_index, rising)

    def _on_index(self, _pin):
        self._index_word = self._raw()

    def read(self, _now):
        """Take one reading."""
        word = self._raw()
        if word < 0:
            self.counts = NO_COUNTS
            self.flags = SAMPLE_FLAGS_NO_CONVERSION
            return
        count = word & _COUNT_MASK
        self._position += self._steps_to(count)
        self._last_count = count
        invalid = word >> 16 & _INVALID_MASK
        fresh = (invalid - self._last_invalid) & _INVALID_MASK
        self._last_invalid = invalid
        self.invalid_transitions_total += fresh
        self.flags = SAMPLE_FLAGS_SUSPECT if fresh else 0
        if self._index_word >= 0:
            self._take_index()
        self.counts = self._position - self._zero

    def _steps_to(self, count):
        """Signed way from the last reading; more than half the range between two is not told."""
        return ((count - self._last_count + _COUNT_HALF) & _COUNT_MASK) - _COUNT_HALF

    def _take_index(self):
        place = self._position + self._steps_to(self._index_word & _COUNT_MASK)
        self._index_word = -1
        if not self.sensor_status & STATUS_INDEX_SEEN:
            self._zero = place
            self.sensor_status = STATUS_INDEX_SEEN
            return
        turn = self._counts_per_turn
        astray = (place - self._zero) % turn
        if turn // _ASTRAY_SHARE < astray < turn - turn // _ASTRAY_SHARE:
            self.sensor_status |= STATUS_INDEX_ASTRAY
