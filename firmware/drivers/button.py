"""A push button to ground on a pulled-up pin, freed from contact bounce."""

_SAME_READINGS = 2


class Button:
    """`poll` it every 10 ms; `pressed` changes after two equal readings in a row."""

    def __init__(self, pin):
        self._value = pin.value
        self._different = 0
        self.pressed = False

    def poll(self):
        """Read the pin; True when `pressed` has just changed."""
        if (self._value() == 0) == self.pressed:
            self._different = 0
            return False
        self._different += 1
        if self._different < _SAME_READINGS:
            return False
        self._different = 0
        self.pressed = not self.pressed
        return True
