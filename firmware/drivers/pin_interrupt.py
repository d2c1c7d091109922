"""A pin's interrupt, hard where the port has hard ones."""


def watch(pin, handler, trigger):
    """Call `handler(pin)` at each edge.

    Hard: at once, even during a collection of garbage.  The ESP32's port knows
    soft interrupts only, which wait for the interpreter, and refuses the word.
    """
    try:
        pin.irq(handler=handler, trigger=trigger, hard=True)
    except TypeError:
        pin.irq(handler=handler, trigger=trigger)
