"""Assembler for programs of the RP2040's programmable I/O.

Written from section 3.4 of the RP2040 data sheet (instruction encodings) and
the language that MicroPython's documentation gives for `rp2.asm_pio`.  Only
what a sampling program needs is here: no OUT, no PULL, no WAIT for a flag.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

_JMP, _WAIT, _IN, _PUSH, _MOV, _IRQ, _SET = (kind << 13 for kind in (0, 1, 2, 4, 5, 6, 7))
_NOP = _MOV | 2 << 5 | 2  # mov(y, y)
MEMORY_WORDS = 32
_DELAY_AND_SIDE_BITS = 5

_REGISTERS = {
    "pins": 0,
    "x": 1,
    "y": 2,
    "null": 3,
    "pc": 5,
    "isr": 6,
    "osr": 7,
}
_CONDITIONS = {"not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "pin": 6}
_INVERT = 1 << 3
_RELATIVE = 1 << 4
_BLOCK = 1 << 5


class PIO:
    """The constants of MicroPython's `rp2.PIO`."""

    IN_LOW, IN_HIGH, OUT_LOW, OUT_HIGH = 0, 1, 2, 3
    SHIFT_LEFT, SHIFT_RIGHT = 0, 1
    JOIN_NONE, JOIN_TX, JOIN_RX = 0, 1, 2


class Line:
    """One instruction: its bits, its side-set value and its delay."""

    def __init__(self, bits: int, target: "str | None" = None) -> None:
        self.bits = bits
        self.target = target
        self.delay = 0
        self.side_value = -1

    def side(self, value: int) -> "Line":
        """Put ``value`` on the side-set pin while this runs."""
        self.side_value = value
        return self

    def __getitem__(self, delay: int) -> "Line":
        """Wait so many steps more."""
        self.delay = delay
        return self


class Program:
    """Machine code and what a state machine must be set to for it.

    ``words``: the 16-bit instructions, jumps counted from 0.  ``wrap_target``,
    ``wrap``: first and last address of the endless loop.  ``side_count``: 0 or
    1 side-set pin.  ``fifo_words``: depth of the receive FIFO.
    """

    def __init__(self, options: "dict[str, int]") -> None:
        self.words: list[int] = []
        self.wrap_target = 0
        self.wrap = -1
        self.side_count = 1 if "sideset_init" in options else 0
        self.fifo_words = 8 if options.get("fifo_join") == PIO.JOIN_RX else 4
        self._lines: list[Line] = []
        self._labels: dict[str, int] = {}

    def build(self, function: "Callable[[], None]") -> None:
        """Run the decorated function with the assembler's names as its globals."""
        names = self._names()
        scope = function.__globals__
        hidden = {name: scope[name] for name in names if name in scope}
        scope.update(names)
        try:
            function()
        finally:
            for name in names:
                del scope[name]
            scope.update(hidden)
        if len(self._lines) > MEMORY_WORDS:
            raise ValueError(f"{len(self._lines)} instructions; a block holds {MEMORY_WORDS}")
        if self.wrap < 0:
            self.wrap = len(self._lines) - 1
        self.words = [self._encode(line) for line in self._lines]

    def at(self, address: int) -> "list[int]":
        """Return the words as they must be for a program that starts at ``address``."""
        return [word + address if word >> 13 == 0 else word for word in self.words]

    def _names(self) -> "dict[str, Any]":
        names: dict[str, Any] = dict(_REGISTERS)
        names.update(_CONDITIONS)
        names.update(
            {
                "noblock": 0,
                "block": _BLOCK,
                "invert": lambda register: register | _INVERT,
                "rel": lambda flag: flag | _RELATIVE,
                "label": self._label,
                "wrap_target": self._wrap_target,
                "wrap": self._wrap,
                "nop": lambda: self._add(_NOP),
                "jmp": self._jmp,
                "wait": lambda level, _pin, index: self._add(_WAIT | level << 7 | 1 << 5 | index),
                "in_": lambda source, bits: self._add(_IN | source << 5 | bits & 31),
                "push": lambda mode=_BLOCK: self._add(_PUSH | mode),
                "mov": lambda target, source: self._add(_MOV | target << 5 | source),
                "irq": lambda flag: self._add(_IRQ | flag),
                "set": lambda target, value: self._add(_SET | target << 5 | value),
            }
        )
        return names

    def _add(self, bits: int, target: "str | None" = None) -> Line:
        line = Line(bits, target)
        self._lines.append(line)
        return line

    def _jmp(self, condition: "int | str", target: "str | None" = None) -> Line:
        if target is None:
            return self._add(_JMP, str(condition))
        return self._add(_JMP | int(condition) << 5, target)

    def _label(self, name: str) -> None:
        if name in self._labels:
            raise ValueError(f"label {name} is there twice")
        self._labels[name] = len(self._lines)

    def _wrap_target(self) -> None:
        self.wrap_target = len(self._lines)

    def _wrap(self) -> None:
        self.wrap = len(self._lines) - 1

    def _encode(self, line: Line) -> int:
        bits = line.bits
        if line.target is not None:
            if line.target not in self._labels:
                raise ValueError(f"there is no label {line.target}")
            bits |= self._labels[line.target]
        delay_bits = _DELAY_AND_SIDE_BITS - self.side_count
        if line.delay >= 1 << delay_bits:
            raise ValueError(f"a delay of {line.delay} does not fit into {delay_bits} bits")
        if (line.side_value >= 0) != bool(self.side_count):
            raise ValueError("every instruction needs a side-set value, or none")
        side = max(0, line.side_value)
        return bits | line.delay << 8 | side << (8 + delay_bits)


def asm_pio(**options: int) -> "Callable[[Callable[[], None]], Program]":
    """Assemble the decorated function, as MicroPython's decorator of that name does."""

    def assemble(function: "Callable[[], None]") -> Program:
        program = Program(options)
        program.build(function)
        return program

    return assemble
