"""Quadrature encoder: two wires a quarter of a line apart, edge by edge."""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from .pins import Pin

_LEVELS = ((0, 0), (1, 0), (1, 1), (0, 1))


class QuadratureEncoder:
    """Drives wires A and B through every state between two positions.

    Position is in quarter lines (x4 counts).  A faulty encoder is had with
    ``jump_to``: both wires change at once, which makes no sense to a decoder.
    """

    def __init__(self, pin_a: "Pin", pin_b: "Pin") -> None:
        self.position = 0
        self._pin_a = pin_a
        self._pin_b = pin_b
        self._show()

    def move_to(self, position: int) -> None:
        """Turn to ``position`` through every state between."""
        step = 1 if position > self.position else -1
        while self.position != position:
            self.position += step
            self._show()

    def jump_to(self, position: int) -> None:
        """Be at ``position`` without having passed the states between."""
        self.position = position
        self._show()

    def _show(self) -> None:
        a, b = _LEVELS[self.position & 3]
        self._pin_a.drive(a)
        self._pin_b.drive(b)
