"""Print what the firmware's work costs, in steps of an empty loop of this same machine, as JSON.

`second`: all that the main loop does in a second of the fastest stream.  The
others are parts of it.  The stand-ins' own cost is measured alone and taken off.
Every slice of work is timed next to a slice of the empty loop, and the least of
many counts: others share the computer.  The ticks are processor time and step
by a millisecond, hence slices of some tens.
"""

import gc
import json
import time

import quiet_parts
import quiet_pio_parts
from box.app import App

ROUNDS = ARGUMENTS["rounds"]  # noqa: F821 - set by vm.mjs
SLICES = ARGUMENTS["slices"]  # noqa: F821
_EMPTY_TIMES = 20
_LOAD_PERIOD_US = 10638
_MASK = 0x3FFFFFFF


class Clock(quiet_parts.QuietClock):
    """With the machine's own arithmetic, as on the device."""

    def __init__(self):
        quiet_parts.QuietClock.__init__(self)
        self.ticks_diff = time.ticks_diff
        self.ticks_add = time.ticks_add


class NoFiles:
    def read(self, name):
        return None


class Box:
    def __init__(self):
        self.clock = Clock()
        _, _, board, self.amplifiers, self.encoder = quiet_pio_parts.build(self.clock)
        self.link = quiet_parts.QuietLink()
        self.app = App(board, self.link, self.clock, NoFiles())
        self.sampler = self.app._sampler
        self.transmitter = self.app._transmitter
        self._drain()
        self.sampler.stream(True)
        self._turn_us = 0

    def _drain(self):
        while self.app.step():
            pass

    def second(self, seconds):
        """Both amplifiers at 94 a second, the angles at 200 and 20, a host that reads."""
        clock = self.clock
        step = self.app.step
        first, second = self.amplifiers
        ticks_diff = time.ticks_diff
        next_first = (clock.now + 100) & _MASK
        next_second = (clock.now + 4000) & _MASK
        left_us = seconds * 1000000
        while left_us > 0:
            now = clock.now
            wait_us = max(ticks_diff(self.app._wake, now), 0)
            wait_us = min(wait_us, ticks_diff(next_first, now), ticks_diff(next_second, now))
            clock.now = (now + wait_us) & _MASK
            left_us -= wait_us
            if clock.now == next_first:
                next_first = (next_first + _LOAD_PERIOD_US) & _MASK
                first.convert(123456)
            if clock.now == next_second:
                next_second = (next_second + _LOAD_PERIOD_US) & _MASK
                second.convert(123456)
            while step():
                pass

    def convert(self, rounds):
        """A word into the FIFO and the interrupt; the main loop takes it into the queue."""
        clock = self.clock
        load = self.sampler.loads[0]
        is_ready = load.is_ready
        take = load.take
        convert = self.amplifiers[0].convert
        for _ in range(rounds):
            clock.now = (clock.now + _LOAD_PERIOD_US) & _MASK
            convert(123456)
            if is_ready(clock.now):
                take(None)

    def read_angle(self, rounds):
        clock = self.clock
        take = self.sampler.angles[0].take
        for _ in range(rounds):
            clock.now = (clock.now + 5000) & _MASK
            take(None)

    def send(self, rounds):
        """Seal a sample that is there already, and hand it to the port."""
        queue = self.transmitter._queue
        pump = self.transmitter.pump
        for _ in range(rounds):
            queue.count = 1
            pump()

    def beat(self, rounds):
        """A status, posted and not sent."""
        outbox = self.app._heartbeat._outbox
        for _ in range(rounds):
            outbox.count = 0
            self.app._heartbeat.beat()

    def look_around(self, rounds):
        """A turn of the loop that finds nothing to do."""
        now = self.clock.now
        self.app._wake = (now + 1000) & _MASK
        step = self.app.step
        for _ in range(rounds):
            step()


class SilentPart:
    """The stand-ins' own cost: the word without an interrupt, taken out again."""

    def __init__(self):
        self.machine = quiet_pio_parts.quiet_rp2.StateMachine(0, None)
        self.amplifier = quiet_pio_parts.QuietPioAmplifier(self.machine)

    def convert(self, rounds):
        convert = self.amplifier.convert
        machine = self.machine
        for _ in range(rounds):
            convert(123456)
            machine._count = 0


def empty(rounds):
    for _ in range(rounds):
        pass


def microseconds(work, rounds):
    """The least of many."""
    least = 1 << 29
    for _ in range(SLICES):
        before = time.ticks_us()
        work(rounds)
        least = min(least, time.ticks_diff(time.ticks_us(), before))
    return least / rounds


def steps(work, rounds):
    """One round of it, by steps of the empty loop timed just before and after."""
    before = microseconds(empty, _EMPTY_TIMES * ROUNDS)
    cost = microseconds(work, rounds)
    return cost / min(before, microseconds(empty, _EMPTY_TIMES * ROUNDS))


part = steps(SilentPart().convert, ROUNDS)
gc.collect()
# Each on a box of its own: the clock of one must not run half its period ahead of another.
found = {
    "second": steps(Box().second, max(1, ROUNDS // 1000)) - 188 * part,
    "load_sample": steps(Box().convert, ROUNDS) - part,
    "angle_sample": steps(Box().read_angle, ROUNDS),
    "frame": steps(Box().send, ROUNDS),
    "status": steps(Box().beat, ROUNDS // 10),
    "idle_turn": steps(Box().look_around, ROUNDS),
}
print(json.dumps({"steps": found}))
