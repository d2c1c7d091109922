"""Pins and interrupts: the wires between the code under test and the parts."""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Protocol

    from ..clock import VirtualClock

    class Source(Protocol):
        """Something that interrupts the processor."""

        def run_handler(self) -> None:
            """Run the handler, if there is one."""


class Interrupts:
    """The processor's interrupt switch and what waits behind it.

    An edge is latched: however often a pin fires while interrupts are off, its
    handler runs once when they come back on.  A handler runs with interrupts
    off, as a hard one does.
    """

    def __init__(self, clock: "VirtualClock") -> None:
        self.enabled = True
        self._clock = clock
        self._pending: list[Source] = []

    def request(self, source: "Source") -> None:
        """Run the handler of ``source`` now, or as soon as interrupts are on."""
        if not self.enabled:
            if source not in self._pending:
                self._pending.append(source)
            return
        self.enabled = False
        source.run_handler()
        self.enable(True)

    def disable(self) -> bool:
        """Switch interrupts off; returns the state to hand to ``enable``."""
        state = self.enabled
        self.enabled = False
        self._clock.spend(self._clock.call_cost_us)
        return state

    def enable(self, state: bool) -> None:
        """Restore the state that ``disable`` returned and run what waited."""
        self.enabled = state
        pending = self._pending
        while pending and self.enabled:
            self.request(pending.pop(0))

    def reset(self) -> None:
        """Forget everything, as at power-up."""
        self.enabled = True
        del self._pending[:]


class Pin:
    """One wire, seen from the processor (``value``, ``irq``) and from a part (``drive``).

    ``level`` is what a voltmeter would say.  ``on_write(level, now_us)`` tells
    the part that it changed; ``on_read(now_us)`` that the
    processor is about to look.  ``hold(level)`` ties the wire: a fault.
    ``severed``: the wire is cut, and the part no longer sees what is written.
    ``watchers`` are called after each change of the level from outside.
    """

    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, number: int, clock: "VirtualClock", interrupts: Interrupts) -> None:
        self.number = number
        self.level = 0
        self.clock = clock
        self.interrupts = interrupts
        self.bank: PinBank | None = None
        self.on_write: Callable[[int, float], None] | None = None
        self.on_read: Callable[[float], None] | None = None
        self.watchers: list[Callable[[], None]] = []
        self.severed = False
        self._clock = clock
        self._driven: int | None = None
        self._held: int | None = None
        self._pull = 0
        self._mode = Pin.IN
        self._handler: Callable[[Pin], None] | None = None
        self._trigger = 0

    # --- the processor's side ----------------------------------------------------

    def init(self, mode: int = -1, pull: "int | None" = -1, value: "int | None" = None) -> None:
        """Set direction, pull resistor and first level, as `machine.Pin` does."""
        if mode in (Pin.IN, Pin.OUT, Pin.OPEN_DRAIN):
            self._mode = mode
        if pull != -1:
            self._pull = pull or 0
        if value is not None and self._mode != Pin.IN:
            self.value(value)
        elif self._mode == Pin.IN:
            self._settle()

    def value(self, level: "int | None" = None) -> int:
        """Read the wire, or write it."""
        clock = self._clock
        now_us = clock.now_us + clock.pin_cost_us
        if now_us < clock.next_due_us:
            clock.now_us = now_us
        else:
            clock.advance_to(now_us)
            now_us = clock.now_us
        if level is None:
            if self.on_read is not None:
                self.on_read(now_us)
            return self.level
        self.put(1 if level else 0, now_us)
        return self.level

    __call__ = value

    def put(self, level: int, now_us: float) -> None:
        """Write the wire at ``now_us``, at no cost: what a state machine does."""
        if level != self.level and self._held is None:
            self.level = level
            if self.on_write is not None and not self.severed:
                self.on_write(level, now_us)

    def on(self) -> None:
        """Write 1."""
        self.value(1)

    def off(self) -> None:
        """Write 0."""
        self.value(0)

    high = on
    low = off

    def irq(
        self,
        handler: "Callable[[Pin], None] | None" = None,
        trigger: int = IRQ_FALLING | IRQ_RISING,
        hard: bool = False,
    ) -> None:
        """Call ``handler(pin)`` on the edges in ``trigger``; None takes it away."""
        self._handler = handler
        self._trigger = trigger

    # --- the part's side --------------------------------------------------------

    def drive(self, level: "int | None") -> None:
        """Put ``level`` on the wire, or let go of it (None: a pull resistor decides)."""
        self._driven = level
        self._settle()

    def hold(self, level: "int | None") -> None:
        """Tie the wire to a level whatever else drives it: a fault.  None unties it."""
        self._held = level
        self._settle()

    def run_handler(self) -> None:
        """Run the interrupt handler, if there is one."""
        if self._handler is not None:
            self._handler(self)

    def reset(self) -> None:
        """Back to a floating input, as the processor's pins are after a reset."""
        self._handler = None
        self._mode = Pin.IN
        self._pull = 0
        self.watchers = []
        self._settle()

    def _settle(self) -> None:
        if self._held is not None:
            level = self._held
        elif self._driven is not None:
            level = self._driven
        elif self._mode == Pin.IN:
            level = 1 if self._pull == Pin.PULL_UP else 0
        else:
            level = self.level
        if level == self.level:
            return
        self.level = level
        if self.on_write is not None and not self.severed:
            self.on_write(level, self._clock.now_us)
        edge = Pin.IRQ_RISING if level else Pin.IRQ_FALLING
        if self._handler is not None and self._trigger & edge:
            self.interrupts.request(self)
        for watcher in self.watchers:
            watcher()


class PinBank:
    """Stand-in for ``machine.Pin``: called with a number, it gives that one wire."""

    IN = Pin.IN
    OUT = Pin.OUT
    OPEN_DRAIN = Pin.OPEN_DRAIN
    PULL_UP = Pin.PULL_UP
    PULL_DOWN = Pin.PULL_DOWN
    IRQ_FALLING = Pin.IRQ_FALLING
    IRQ_RISING = Pin.IRQ_RISING

    def __init__(self, clock: "VirtualClock", interrupts: Interrupts) -> None:
        self._clock = clock
        self._interrupts = interrupts
        self._pins: dict[int, Pin] = {}

    def __call__(
        self,
        number: int,
        mode: int = -1,
        pull: "int | None" = -1,
        *,
        value: "int | None" = None,
    ) -> Pin:
        """Return the pin, set up as ``machine.Pin(number, mode, pull, value=)`` would."""
        pin = self.wire(number)
        pin.init(mode, pull, value)
        return pin

    def wire(self, number: int) -> Pin:
        """Return the pin as it is: for parts, which do not set it up."""
        if number not in self._pins:
            self._pins[number] = Pin(number, self._clock, self._interrupts)
            self._pins[number].bank = self
        return self._pins[number]

    def reset(self) -> None:
        """Reset every pin, as the processor does."""
        for pin in self._pins.values():
            pin.reset()
