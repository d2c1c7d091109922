"""The quiet parts, with amplifiers and encoder that speak through state machines."""

import sys

import board as standard_board
import quiet_parts
import quiet_rp2


class QuietPioAmplifier:
    """Hands words to its state machine as the program would, numbers and all."""

    def __init__(self, machine):
        self._push = machine.push
        self._number = 0
        self.sticks_low = False

    def convert(self, word):
        self._number = (self._number - 1) & 7
        tail = 0 if self.sticks_low else 1
        self._push(self._number << 25 | (word & 0xFFFFFF) << 1 | tail)


class QuietEncoder:
    """Keeps its state machine's FIFO full of one count."""

    def __init__(self, machine):
        self._machine = machine

    def turn_to(self, count, invalid=0):
        for _ in range(5):
            self._machine.push(((31 - invalid) & 0xFFF) << 16 | count & 0xFFFF)


def build(clock=None):
    """Return the machine, its clock, the board, its two amplifiers and the encoder."""
    sys.modules["rp2"] = quiet_rp2
    quiet_rp2.MADE.clear()
    standard_board.ROLLER_SENSOR = "quadrature"
    machine = quiet_parts.QuietMachine()
    if clock is None:
        clock = quiet_parts.QuietClock()
    board = standard_board.build(machine, clock, random_bytes=bytes)
    first, second, third = quiet_rp2.MADE
    amplifiers = [QuietPioAmplifier(first), QuietPioAmplifier(second)]
    return machine, clock, board, amplifiers, QuietEncoder(third)
