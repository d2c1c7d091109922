"""The real firmware wired to parts simulated at their pins, in virtual time.

Runs inside the MicroPython virtual machine and on CPython, with the same bytes to show for it.
"""

import sys

import board
from box.app import App
from simulator.clock import VirtualClock
from simulator.parts.bench import Bench, Inputs
from simulator.parts.machine import Machine

BOOT_ID = 0x12345678


class SteadyInputs(Inputs):
    """A bridge at a quarter of its range and a shaft that turns a degree a second."""

    def bridge_ratio(self, index, at_us):
        return 0.0005 * (index + 1)

    def shaft_degrees(self, at_us):
        return 30.0 + at_us / 1000000


class Ripple:
    """Noise of a few counts, the same in every run and without the heap."""

    def __init__(self):
        self._state = 1

    def gauss(self, mean, sigma):
        self._state = (self._state * 1103 + 12345) & 0xFFFF
        return mean + sigma * (self._state / 32768 - 1)


class MemoryFiles:
    def __init__(self):
        self._files = {}

    def read(self, name):
        return self._files.get(name)

    def read_part(self, name, offset, length):
        data = self._files.get(name)
        return None if data is None else data[offset : offset + length]

    def append(self, name, data):
        self._files[name] = self._files.get(name, b"") + data

    def write(self, name, data):
        self._files[name] = bytes(data)


class BenchBox:
    """`pio`: the amplifiers are read by simulated state machines."""

    def __init__(self, link, pio=False):
        if pio:
            from simulator.parts import rp2

            sys.modules["rp2"] = rp2
        ripple = Ripple()
        self.clock = VirtualClock()
        self.machine = Machine(self.clock, gauss=ripple.gauss)
        self.bench = Bench(self.clock, self.machine, SteadyInputs(), gauss=ripple.gauss)
        self.board = board.build(
            self.machine, self.clock, random_bytes=lambda count: BOOT_ID.to_bytes(count, "little")
        )
        self.app = App(self.board, link, self.clock, MemoryFiles())

    def run_for(self, duration_us):
        """Let the box work for so long, skipping the time in which nothing happens."""
        clock = self.clock
        app = self.app
        end_us = clock.now_us + duration_us
        while clock.now_us < end_us:
            if not app.step():
                idle_until_us = min(clock.now_us + app.idle_us(), clock.next_due_us, end_us)
                clock.advance_to(max(idle_until_us, clock.now_us + 1))
