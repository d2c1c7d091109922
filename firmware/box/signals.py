"""What the box shows and sounds by itself: a lamp and a buzzer.

The lamp blinks slowly while the box waits and is steady while it streams.
Overload, on the other hand, must reach the one at the machine at once and
without looking at a screen: lamp and buzzer go on and off five times a second.
"""

_OVERLOAD_HALF_PERIOD = 10  # polls of 10 ms


class Signals:
    """`lamp` and `buzzer` are pins, high for on."""

    def __init__(self, lamp, buzzer):
        self._lamp = lamp.value
        self._buzzer = buzzer.value
        self._alarm = False
        self._polls = 0

    def beat(self, streaming):
        """Show life: once for each status."""
        if not self._alarm:
            self._lamp(1 if streaming else 1 - self._lamp())

    def poll(self, overloaded):
        """Every 10 ms: sound the alarm, or end it."""
        if not overloaded:
            if self._alarm:
                self._alarm = False
                self._show(0)
            return
        if not self._alarm:
            self._alarm = True
            self._polls = 0
        self._show(1 if self._polls < _OVERLOAD_HALF_PERIOD else 0)
        self._polls = (self._polls + 1) % (2 * _OVERLOAD_HALF_PERIOD)

    def _show(self, level):
        self._lamp(level)
        self._buzzer(level)
