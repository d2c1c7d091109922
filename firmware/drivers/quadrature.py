"""Quadrature encoder followed by pin interrupts: for boards without programmable I/O.

Each edge costs an interrupt in Python, and edges closer than about 40 us are
lost (measured on the RP2040).  A lost edge shows as a transition that makes no
sense.
"""

from drivers.pin_interrupt import watch
from drivers.quadrature_reading import QuadratureReading

_STEPS = (0, 1, -1, 2, -1, 0, 2, 1, 1, 2, 0, -1, 2, -1, 1, 0)
"""By old and new state, B above A: one step, none, or 2 for what cannot be."""


class Quadrature(QuadratureReading):
    def __init__(self, machine, line_a, line_b, counts_per_turn, index=None):
        QuadratureReading.__init__(self, counts_per_turn)
        self._value_a = line_a.value
        self._value_b = line_b.value
        self._moved = 0
        self._invalid = 0
        self._state = self._value_b() << 1 | self._value_a()
        pin = machine.Pin
        both = pin.IRQ_RISING | pin.IRQ_FALLING
        watch(line_a, self._on_edge, both)
        watch(line_b, self._on_edge, both)
        if index is not None:
            self._watch_index(index, pin.IRQ_RISING)

    def _on_edge(self, _pin):
        state = self._value_b() << 1 | self._value_a()
        step = _STEPS[self._state << 2 | state]
        self._state = state
        if step == 2:
            self._invalid += 1
        else:
            self._moved += step

    def _raw(self):
        return (self._invalid & 0xFFF) << 16 | self._moved & 0xFFFF
