"""Quadrature encoder followed by a state machine of the RP2040: no edge costs Python anything.

The program looks at both lines every 1.3 to 1.6 us, jumps through a table of
sixteen places by old and new state, and keeps two counts of its own: steps in X
and transitions that cannot be in Y.  It offers them all the time; words that
find the FIFO full are lost, which is meant: the reader takes what is old and
then one that is new.
"""

# ruff: noqa: F821 - the assembler brings its own names into the decorated function

import rp2

from drivers.quadrature_reading import QuadratureReading

FREQUENCY_HZ = 8000000

_FIFO_WORDS = 4
_INVALID_AT_START = 31
# Machine code for `exec`: RP2040 data sheet, section 3.4.
_CLEAR_X = 0xE020
_SET_Y = 0xE040
_MOVE_PINS_TO_OSR = 0xA0E0


@rp2.asm_pio(in_shiftdir=rp2.PIO.SHIFT_LEFT)
def quadrature_program():
    wrap_target()
    label("look")
    in_(null, 4)  # four zero bits on top: the word stays a small integer
    in_(y, 12)
    in_(x, 16)
    push(noblock)
    mov(isr, invert(null))
    in_(osr, 2)
    in_(pins, 2)
    mov(osr, isr)
    mov(pc, isr)  # its low five bits: 1, old state, new state; so the table stands at 16
    label("up")
    mov(x, invert(x))  # adding one is taking one from the complement
    jmp(x_dec, "up_taken")
    label("up_taken")
    mov(x, invert(x))
    jmp("look")
    label("invalid")
    jmp(y_dec, "look")  # never at 0: it starts at 31 and counts down through 2**32
    label("down")
    jmp(x_dec, "look")
    wrap()  # X was 0: the jump is not taken, but the wrap is
    jmp("look")
    jmp("up")
    jmp("down")
    jmp("invalid")
    jmp("down")
    jmp("look")
    jmp("invalid")
    jmp("up")
    jmp("up")
    jmp("invalid")
    jmp("look")
    jmp("down")
    jmp("invalid")
    jmp("down")
    jmp("up")
    jmp("look")


class QuadraturePio(QuadratureReading):
    """`line_b` is the pin after `line_a`.

    The program must be the only one of its block: MicroPython puts the first
    program at the end of the instruction memory, and the table of 16 is the
    program's end.
    """

    def __init__(self, number, machine, line_a, counts_per_turn, index=None):
        QuadratureReading.__init__(self, counts_per_turn)
        state_machine = rp2.StateMachine(
            number, quadrature_program, freq=FREQUENCY_HZ, in_base=line_a
        )
        state_machine.exec(_CLEAR_X)
        state_machine.exec(_SET_Y | _INVALID_AT_START)
        state_machine.exec(_MOVE_PINS_TO_OSR)
        state_machine.active(1)
        self._waiting = state_machine.rx_fifo
        self._get = state_machine.get
        if index is not None:
            self._watch_index(index, machine.Pin.IRQ_RISING)

    def _raw(self):
        word = -1
        for _ in range(_FIFO_WORDS + 1):
            if not self._waiting():  # asking an empty FIFO would wait
                break
            word = self._get()
        if word < 0:
            return -1
        invalid = (_INVALID_AT_START - (word >> 16)) & 0xFFF
        return invalid << 16 | word & 0xFFFF
