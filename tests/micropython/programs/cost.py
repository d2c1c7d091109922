"""Print what a sample costs, in steps of an empty loop of this same machine, as JSON.

The stand-in for a part costs something, too: it is measured alone and taken off.
The ticks are processor time and step by a millisecond, hence the many rounds.
"""

import json
import time

import quiet_parts
import quiet_pio_parts
from box.events import EventLog
from box.outbox import Outbox
from box.sample_queue import SampleQueue
from box.sampler import Sampler
from box.settings import Settings
from box.transmitter import Transmitter

ROUNDS = ARGUMENTS["rounds"]  # noqa: F821 - set by vm.mjs
_PERIOD_US = 5000


class NoFiles:
    def read(self, name):
        return None


_EMPTY_TIMES = 20
_BEST_OF = 3  # others share the computer


def microseconds(work, rounds):
    best = None
    for _ in range(_BEST_OF):
        before = time.ticks_us()
        work()
        took = time.ticks_diff(time.ticks_us(), before)
        best = took if best is None else min(best, took)
    return best / rounds


def empty():
    for _ in range(_EMPTY_TIMES * ROUNDS):
        pass


class Path:
    def __init__(self):
        _, self.clock, board, self.amplifiers, self.encoder = quiet_pio_parts.build()
        self.queue = SampleQueue(64, len(board.channels))
        outbox = Outbox()
        self.sampler = Sampler(board, self.queue, EventLog(outbox, 1), self.clock)
        self.sampler.start(Settings(board.channels, NoFiles()))
        self.sampler.stream(True)
        self.transmitter = Transmitter(quiet_parts.QuietLink(), outbox, self.queue)

    def convert(self):
        """A word into the FIFO and the interrupt; the main loop takes it into the queue."""
        clock = self.clock
        poll = self.sampler.loads[0].poll
        convert = self.amplifiers[0].convert
        for _ in range(ROUNDS):
            clock.now = (clock.now + 10000) & 0x3FFFFFFF
            convert(123456)
            poll(clock.now, True, False)

    def read_angle(self):
        clock = self.clock
        poll = self.sampler.angles[0].poll
        for _ in range(ROUNDS):
            clock.now = (clock.now + _PERIOD_US) & 0x3FFFFFFF
            poll(clock.now, True)

    def send(self):
        """Seal a sample that is there already, and hand it to the port."""
        queue = self.queue
        send = self.transmitter._send_one
        for _ in range(ROUNDS):
            queue.count += 1
            send()

    def look_around(self):
        """What the loop does when there is nothing to do for the amplifiers."""
        now = self.clock.now
        poll_loads = self.sampler.poll_loads
        for _ in range(ROUNDS):
            poll_loads(now, False)


class SilentPart:
    """The stand-ins' own cost: the word without an interrupt, taken out again."""

    def __init__(self):
        self.machine = quiet_pio_parts.quiet_rp2.StateMachine(0, None)
        self.amplifier = quiet_pio_parts.QuietPioAmplifier(self.machine)

    def convert(self):
        for _ in range(ROUNDS):
            self.amplifier.convert(123456)
            self.machine._count = 0


step = microseconds(empty, _EMPTY_TIMES * ROUNDS)
part = microseconds(SilentPart().convert, ROUNDS)
found = {
    # Each on a path of its own: the clock of one must not run half its period ahead of another.
    "load_sample": microseconds(Path().convert, ROUNDS) - part,
    "angle_sample": microseconds(Path().read_angle, ROUNDS),
    "frame": microseconds(Path().send, ROUNDS),
    "idle_look": microseconds(Path().look_around, ROUNDS),
}
print(json.dumps({"step_us": step, "steps": {name: found[name] / step for name in found}}))
