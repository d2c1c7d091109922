"""A state machine of the RP2040's programmable I/O, step by step in virtual time.

Written from chapter 3 of the RP2040 data sheet; offers what MicroPython's
`rp2.StateMachine` does.  A step takes the time that the frequency says, in
fractions of a microsecond, and every change of a pin reaches the part at its
own time.  A program that never waits for a pin would run for ever: it is let run
a few rounds after each change of its pins and each read of its FIFO, since in
between nothing new can come of it.
"""

from .pio_program import MEMORY_WORDS, Program

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from .pins import Pin

_WORD = 0xFFFFFFFF
_ROUNDS = 4
AHEAD_US = 64
CALL_US = 2
"""What a look at the FIFO costs the processor (estimate from the 3.3 us of a loop step)."""


class StateMachine:
    """Stand-in for ``rp2.StateMachine``: one side-set pin at most, two input pins at most."""

    def __init__(
        self,
        number: int,
        program: Program,
        freq: int,
        *,
        in_base: "Pin",
        jmp_pin: "Pin | None" = None,
        sideset_base: "Pin | None" = None,
    ) -> None:
        self.number = number
        self.program = program
        self.lost_total = 0
        self._clock = in_base.clock
        self._interrupts = in_base.interrupts
        self._inputs = [in_base]
        if in_base.bank is not None:
            self._inputs.append(in_base.bank.wire(in_base.number + 1))
        self._jmp_pin = jmp_pin
        self._side_pin = sideset_base
        self._step_us = 1e6 / freq
        self._handler: Callable[[StateMachine], None] | None = None
        self._active = False
        self._running = False
        self._at_us = 0.0
        self._rounds_left = 0
        self._x = self._y = self._osr = 0
        # MicroPython puts a program at the end of the block's instruction memory.
        self._first = MEMORY_WORDS - len(program.words)
        self._words = program.at(self._first)
        self._loop_start = self._first + program.wrap_target
        self._fifo: list[int] = []
        self.restart()
        for pin in self._inputs:
            pin.watchers.append(self._wake)

    # --- what the processor does -----------------------------------------------------

    def active(self, value: int) -> None:
        """Let it run, or stop it where it is."""
        self._active = bool(value)
        self._wake()

    def restart(self) -> None:
        """Back to the first instruction, with an empty input shift register."""
        self._pc = self._first
        self._isr = 0

    def exec(self, word: int) -> None:
        """Run one instruction at once."""
        self._at_us = max(self._at_us, self._clock.now_us)
        self._execute(word)

    def irq(
        self,
        handler: "Callable[[StateMachine], None] | None" = None,
        trigger: int = 1,
        hard: bool = False,
    ) -> None:
        """Call ``handler(machine)`` when the program raises its own flag."""
        del trigger, hard
        self._handler = handler

    def rx_fifo(self) -> int:
        """Words that wait."""
        self._clock.spend(CALL_US)
        return len(self._fifo)

    def get(self) -> int:
        """Take the oldest word.  Raises RuntimeError where a real one would wait for ever."""
        self._clock.spend(CALL_US)
        if not self._fifo:
            raise RuntimeError("get() with nothing in the FIFO")
        word = self._fifo.pop(0)
        self._wake()
        return word

    def run_handler(self) -> None:
        """Run the interrupt handler, if there is one."""
        if self._handler is not None:
            self._handler(self)

    # --- running --------------------------------------------------------------------------

    def _wake(self) -> None:
        self._rounds_left = _ROUNDS
        if self._active and not self._running:
            self._running = True
            self._clock.schedule_at(self._clock.now_us, self._begin)

    def _begin(self) -> None:
        self._at_us = max(self._at_us, self._clock.now_us)
        self._run()

    def _run(self) -> None:
        """Go on until the program waits, or something else is due before its next step.

        Never further ahead of the clock than a reading takes: whoever looks at
        the clock pin during the long pulse of a reset must find it high.
        """
        clock = self._clock
        while self._active and self._rounds_left > 0:
            if self._at_us > min(clock.next_due_us, clock.now_us + AHEAD_US):
                clock.schedule_at(int(self._at_us) + 1, self._run)
                return
            if not self._step():
                break
        self._running = False

    def _step(self) -> bool:
        """Run the next instruction; False when it waits."""
        word = self._words[self._pc - self._first]
        jumped = self._execute(word)
        if jumped is None:
            return False
        delay_bits = 5 - self.program.side_count
        self._at_us += (1 + (word >> 8 & (1 << delay_bits) - 1)) * self._step_us
        if not jumped:
            last = self._pc == self._first + self.program.wrap
            self._pc = self._loop_start if last else self._pc + 1
        if self._pc == self._loop_start:
            self._rounds_left -= 1
        return True

    def _execute(self, word: int) -> "bool | None":
        """Do what ``word`` says: True when it jumped, None when it has to wait."""
        if self.program.side_count and self._side_pin is not None:
            self._side_pin.put(word >> 12 & 1, self._at_us)  # the top bit of the five
        kind, argument = word >> 13, word & 0xFF
        if kind == 0:
            return self._jump(argument)
        if kind == 1:
            return False if self._level(self._inputs[argument & 31]) == argument >> 7 else None
        if kind == 2:
            self._shift_in(argument >> 5, argument & 31 or 32)
        elif kind == 4:
            self._push()
        elif kind == 5:
            return self._move(argument)
        elif kind == 6:
            # Raised when this step is over, which may be ahead of the clock.
            self._clock.schedule_at(int(self._at_us + self._step_us + 0.5), self._interrupt)
        elif kind == 7:
            self._put(argument >> 5, argument & 31)
        else:
            raise ValueError(f"instruction {word:04x} is not simulated")
        return False

    def _interrupt(self) -> None:
        self._interrupts.request(self)

    def _level(self, pin: "Pin") -> int:
        if pin.on_read is not None:
            pin.on_read(self._at_us)
        return pin.level

    def _jump(self, argument: int) -> bool:
        condition = argument >> 5
        taken = condition == 0
        if condition == 2:
            taken = self._x != 0
            self._x = (self._x - 1) & _WORD
        elif condition == 4:
            taken = self._y != 0
            self._y = (self._y - 1) & _WORD
        elif condition == 6 and self._jmp_pin is not None:
            taken = self._level(self._jmp_pin) == 1
        elif condition:
            raise ValueError(f"jump condition {condition} is not simulated")
        if taken:
            self._pc = argument & 31
        return taken

    def _source(self, number: int) -> int:
        if number == 0:
            bits = 0
            for index, pin in enumerate(self._inputs):
                bits |= self._level(pin) << index
            return bits
        return (0, self._x, self._y, 0, 0, 0, self._isr, self._osr)[number]

    def _shift_in(self, source: int, count: int) -> None:
        bits = self._source(source) & (1 << count) - 1
        self._isr = (self._isr << count | bits) & _WORD

    def _push(self) -> None:
        if len(self._fifo) < self.program.fifo_words:
            self._fifo.append(self._isr)
        else:
            self.lost_total += 1
        self._isr = 0

    def _move(self, argument: int) -> bool:
        value = self._source(argument & 7)
        if argument >> 3 & 3 == 1:
            value = ~value & _WORD
        target = argument >> 5
        if target == 5:
            self._pc = value & 31
            return True
        self._put(target, value)
        return False

    def _put(self, target: int, value: int) -> None:
        if target == 1:
            self._x = value
        elif target == 2:
            self._y = value
        elif target == 6:
            self._isr = value
        elif target == 7:
            self._osr = value
        else:
            raise ValueError(f"register {target} is not simulated")
