"""Virtual time in whole microseconds, and the `time` module it stands in for.

Runs on CPython and on MicroPython alike (no dataclasses, no typing at run
time), because the same parts are used in both.

Time moves in three ways only: a stand-in operation spends its cost, the code
under test sleeps, or the world's owner calls ``advance_to``.  Whatever falls
due on the way is called at its own exact time.
"""

import heapq

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

NEVER_US = 1 << 62
TICKS_PERIOD_US = 1 << 30
_HALF_PERIOD_US = TICKS_PERIOD_US // 2


class VirtualClock:
    """Event-driven time; also the stand-in for MicroPython's `time` module.

    ``now_us`` only grows.  ``pin_cost_us`` and ``call_cost_us`` are what one
    pin operation and one clock call take: about 2 and 1 us give the bit-bang
    timing measured on an RP2040 (6 us of clock high) its right order.
    ``ticks_offset_us`` shifts the device's tick counter, so that a wrap can be
    had without waiting 17.9 minutes for it.
    """

    def __init__(
        self, pin_cost_us: int = 2, call_cost_us: int = 1, ticks_offset_us: int = 0
    ) -> None:
        self.now_us = 0
        self.next_due_us = NEVER_US
        self.pin_cost_us = pin_cost_us
        self.call_cost_us = call_cost_us
        self.ticks_offset_us = ticks_offset_us
        self._events: list[tuple[int, int, Callable[[], None]]] = []
        self._serial = 0

    def schedule_at(self, due_us: int, callback: "Callable[[], None]") -> None:
        """Call ``callback`` when time reaches ``due_us`` (at once when that is past)."""
        self._serial += 1
        heapq.heappush(self._events, (due_us, self._serial, callback))
        self.next_due_us = self._events[0][0]

    def advance_to(self, target_us: int) -> None:
        """Move time on to ``target_us``, calling what falls due at its own time.

        A callback may itself spend time (an interrupt handler does); time then
        ends later than ``target_us``, never earlier.
        """
        events = self._events
        while events and events[0][0] <= target_us:
            due_us, _, callback = heapq.heappop(events)
            self.next_due_us = events[0][0] if events else NEVER_US
            self.now_us = max(self.now_us, due_us)
            callback()
        self.now_us = max(self.now_us, target_us)

    def spend(self, cost_us: int) -> None:
        """Let ``cost_us`` pass: what an operation of the code under test takes."""
        now_us = self.now_us + cost_us
        if now_us < self.next_due_us:
            self.now_us = now_us
        else:
            self.advance_to(now_us)

    # --- the `time` module -----------------------------------------------------

    def ticks_us(self) -> int:
        """Microseconds modulo 2**30, as on the RP2040."""
        now_us = self.now_us + self.call_cost_us
        if now_us < self.next_due_us:
            self.now_us = now_us
        else:
            self.advance_to(now_us)
        return (self.now_us + self.ticks_offset_us) & (TICKS_PERIOD_US - 1)

    def ticks_ms(self) -> int:
        """Milliseconds modulo 2**30."""
        self.spend(self.call_cost_us)
        return ((self.now_us + self.ticks_offset_us) // 1000) & (TICKS_PERIOD_US - 1)

    def ticks_diff(self, later: int, earlier: int) -> int:
        """Signed distance of two ticks, right up to half a period apart."""
        return ((later - earlier + _HALF_PERIOD_US) & (TICKS_PERIOD_US - 1)) - _HALF_PERIOD_US

    def ticks_add(self, ticks: int, delta: int) -> int:
        """Return the ticks ``delta`` after ``ticks``."""
        return (ticks + delta) & (TICKS_PERIOD_US - 1)

    def sleep_us(self, duration_us: int) -> None:
        """Sleep; what falls due meanwhile is called at its time."""
        self.advance_to(self.now_us + max(0, duration_us))

    def sleep_ms(self, duration_ms: int) -> None:
        """Sleep; what falls due meanwhile is called at its time."""
        self.sleep_us(1000 * duration_ms)
