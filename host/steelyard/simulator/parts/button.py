"""Push button to ground, with the bounce that a debouncer is for."""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from ..clock import VirtualClock
    from .pins import Pin

BOUNCES_US = (300, 700, 1200, 1600, 2600, 2900)
"""Times after a change at which the contact opens or closes again; an even
number of them.  Common practice, no source: contacts bounce for a few ms."""


class Button:
    """A button between its pin and ground; the pin's pull-up makes it 1 when open."""

    def __init__(self, clock: "VirtualClock", pin: "Pin") -> None:
        self.pressed = False
        self._clock = clock
        self._pin = pin

    def set(self, pressed: bool) -> None:
        """Press or release it; the contact bounces and then stays."""
        self.pressed = pressed
        self._contact(pressed)
        closed = pressed
        for delay_us in BOUNCES_US:
            closed = not closed
            self._clock.schedule_at(self._clock.now_us + delay_us, self._contact_later(closed))

    def _contact_later(self, closed: bool) -> "Callable[[], None]":
        return lambda: self._contact(closed)

    def _contact(self, closed: bool) -> None:
        self._pin.drive(0 if closed else None)
