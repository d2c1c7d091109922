"""Print what the firmware's work costs, in steps of an empty loop of this same machine, as JSON.

`second`: all that the main loop does in a second of the fastest stream, without
the turns in which it finds nothing to do.  The others are parts of it.  The
stand-ins' own cost is measured alone and taken off.
The least of many short slices counts, since others share the computer.  The ticks
are processor time, and `ticks_ms` counts its microseconds (see vm.mjs).
"""

import json
import time

import quiet_parts
import quiet_pio_parts
from box.app import App
from box.seal import seal
from box.wire import LOAD_SAMPLE_BYTES

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
        self.idle_turns = run(self.clock, self.app, self.amplifiers, seconds)

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
        poll = self.sampler.angles[0].poll
        for _ in range(rounds):
            clock.now = (clock.now + 5000) & _MASK
            poll(clock.now)

    def send(self, rounds):
        """Seal a sample that is there already, and hand it to the port."""
        queue = self.transmitter._queue
        pump = self.transmitter.pump
        for _ in range(rounds):
            queue.count = 1
            pump()

    def seal(self, rounds):
        """What a port with machine code does in machine code."""
        queue = self.transmitter._queue
        slot = queue._slots[0]
        content = queue._contents[0]
        for _ in range(rounds):
            seal(slot, content, LOAD_SAMPLE_BYTES)

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


class SilentAmplifier:
    """Words without an interrupt, taken out again; the device asks and takes in machine code."""

    def __init__(self):
        self._machine = quiet_pio_parts.quiet_rp2.StateMachine(0, None)
        self._convert = quiet_pio_parts.QuietPioAmplifier(self._machine).convert

    def convert(self, word):
        self._convert(word)
        self._machine.rx_fifo()
        self._machine.get()

    def convert_often(self, rounds):
        convert = self.convert
        for _ in range(rounds):
            convert(123456)


class SilentBus:
    """The transfer, whose time on the device is told apart."""

    def __init__(self):
        self._buffer = bytearray(3)
        self._read = quiet_parts.QuietBus().readfrom_mem_into

    def read_often(self, rounds):
        read = self._read
        buffer = self._buffer
        for _ in range(rounds):
            read(0x36, 0x0B, buffer)


class NoApp:
    """Wants to be woken as often as the box and does nothing."""

    def __init__(self):
        self.clock = Clock()
        self.amplifiers = (SilentAmplifier(), SilentAmplifier())
        self._wake = 0

    def step(self):
        self._wake = (self.clock.now + 5000) & _MASK
        return False

    def second(self, seconds):
        run(self.clock, self, self.amplifiers, seconds)


def run(clock, app, amplifiers, seconds):
    """Let time pass from one event to the next; how often `step` found nothing to do."""
    step = app.step
    first, second = amplifiers
    ticks_diff = time.ticks_diff
    next_first = (clock.now + 100) & _MASK
    next_second = (clock.now + 4000) & _MASK
    left_us = seconds * 1000000
    idle_turns = 0
    while left_us > 0:
        now = clock.now
        wait_us = max(ticks_diff(app._wake, now), 0)
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
        idle_turns += 1
    return idle_turns


def empty(rounds):
    for _ in range(rounds):
        pass


def microseconds(work, rounds):
    """The least of many."""
    least = 1 << 29
    for _ in range(SLICES):
        before = time.ticks_ms()
        work(rounds)
        least = min(least, time.ticks_diff(time.ticks_ms(), before))
    return least / rounds


def steps(work, rounds):
    """One round of it, by steps of the empty loop timed just before and after."""
    before = microseconds(empty, _EMPTY_TIMES * ROUNDS)
    cost = microseconds(work, rounds)
    return cost / min(before, microseconds(empty, _EMPTY_TIMES * ROUNDS))


SECONDS = 1
box = Box()
idle_turn = steps(Box().look_around, ROUNDS)
schedule = steps(NoApp().second, SECONDS)
second = steps(box.second, SECONDS)
part = steps(SilentAmplifier().convert_often, ROUNDS)
bus = steps(SilentBus().read_often, ROUNDS)
# Each on a box of its own: the clock of one must not run half its period ahead of another.
found = {
    "second": second - schedule - 200 * bus - box.idle_turns / SECONDS * idle_turn,
    "load_sample": steps(Box().convert, ROUNDS) - part,
    "angle_sample": steps(Box().read_angle, ROUNDS) - bus,
    "frame": steps(Box().send, ROUNDS),
    "seal": steps(Box().seal, ROUNDS),
    "status": steps(Box().beat, max(1, ROUNDS // 10)),
    "idle_turn": idle_turn,
}
print(json.dumps({"steps": found}))
