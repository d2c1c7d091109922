"""Stand-in for `rp2` that allocates nothing: a state machine whose words a test puts in by hand.

Runs inside the MicroPython virtual machine, where the heap can be locked.  The
programs themselves are exercised elsewhere, in an emulator.
"""

_FIFO_WORDS = 8


class PIO:
    OUT_LOW = 2
    SHIFT_LEFT = 0
    JOIN_RX = 2


def asm_pio(**options):
    """Leave the program as it is: nothing here runs it."""
    return lambda program: program


MADE = []


class StateMachine:
    def __init__(self, number, program, **options):
        self.number = number
        self._fifo = [0] * _FIFO_WORDS
        self._first = 0
        self._count = 0
        self._handler = None
        MADE.append(self)

    def irq(self, handler, hard):
        self._handler = handler

    def active(self, value):
        return None

    def exec(self, word):
        return None

    def restart(self):
        return None

    def rx_fifo(self):
        return self._count

    def get(self):
        word = self._fifo[self._first]
        self._first = (self._first + 1) % _FIFO_WORDS
        self._count -= 1
        return word

    def push(self, word):
        """What the program does with a word: keep it if there is room, and say so."""
        if self._count < _FIFO_WORDS:
            self._fifo[(self._first + self._count) % _FIFO_WORDS] = word
            self._count += 1
        if self._handler is not None:
            self._handler(self)
