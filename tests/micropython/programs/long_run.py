"""The box for a long time: every conversion accounted for, and the heap weighed.

Two amplifiers at 94 a second by state machine, an encoder, an arm angle at
the rate that the test asks for.  Now and then the host does not read for two
seconds.  Runs inside the MicroPython virtual machine and on CPython.
"""

import gc
import json
import time

import quiet_parts
import quiet_pio_parts
from box.app import App

_PERIOD_US = (10638, 10641)  # 94 a second, the most that a part can do; no two are alike
_TICKS_MASK = 0x3FFFFFFF
_TURN_US = 40000  # the encoder's angle is read every 50 ms
_CYCLE_US = 60000000
_SILENT_US = 2000000
_SAMPLE_IDS = (3, 4)
_WEIGHINGS = 500
_EPOCH_US = 1 << 40  # so that a moment is a number of the same size from the first to the last


class WrappingClock(quiet_parts.QuietClock):
    """Ticks modulo 2**30, while `now` goes on."""

    def __init__(self, start):
        quiet_parts.QuietClock.__init__(self)
        self.now = _EPOCH_US + start
        if hasattr(time, "ticks_diff"):  # as on the device, and many times faster than by hand
            self.ticks_diff = time.ticks_diff
            self.ticks_add = time.ticks_add

    def ticks_us(self):
        return self.now & _TICKS_MASK

    def ticks_ms(self):
        return self.now // 1000 & _TICKS_MASK


class CountingLink:
    """Counts the sample frames; `reads`: the host takes them."""

    def __init__(self):
        self.samples = 0
        self.frames = 0
        self.reads = True
        self._in_frame = False
        self._requests = []

    def send(self, frame):
        self._requests += list(frame)

    def read_byte(self):
        return self._requests.pop(0) if self._requests else -1

    def has_room(self):
        return self.reads

    def write_slot(self, slot):
        if not self._in_frame:
            self.frames += 1
            if slot[1] in _SAMPLE_IDS:
                self.samples += 1
        self._in_frame = slot[31] != 0  # only the last slot of a frame ends in a delimiter


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


class LongRun:
    """The box from `start_us` of its clock on, its counters from `first_sequence`.

    The main loop is away for `away_us` between two looks.
    """

    def __init__(self, start_us, first_sequence, away_us):
        self._away_us = away_us
        self.clock = WrappingClock(start_us)
        _, _, board, self.amplifiers, self.encoder = quiet_pio_parts.build(self.clock)
        self.link = CountingLink()
        self.app = App(board, self.link, self.clock, MemoryFiles())
        for channel in self.app._sampler.channels:
            channel.sequence = first_sequence
        for frame in ARGUMENTS["requests"]:  # noqa: F821 - set by vm.mjs
            self.link.send(bytes(frame))
        self.made = 0
        self._begin = self.clock.now
        self._next = (self._begin + _PERIOD_US[0], self._begin + _PERIOD_US[1])
        # Room from the beginning: what this program takes must not grow.
        self._heap_bytes = [0] * _WEIGHINGS
        self._weighings = 0

    def settle(self):
        while self.app.step():
            pass

    def run(self, seconds):
        """Every conversion interrupts at its own time; the loop looks when a timer is due.

        What comes while it is away waits in the drivers' rings, as it does on
        a busy device, and a day takes a fraction of the looks.
        """
        clock = self.clock
        step = self.app.step
        idle_us = self.app.idle_us
        first, second = self.amplifiers
        next_first, next_second = self._next
        next_turn = clock.now
        begin = self._begin
        end = clock.now + seconds * 1000000
        word = 1
        while clock.now < end:
            look = clock.now + max(idle_us(), self._away_us)
            while next_first <= look or next_second <= look:
                if next_first <= next_second:
                    clock.now = next_first
                    first.convert(word)
                    next_first += _PERIOD_US[0]
                else:
                    clock.now = next_second
                    second.convert(word + 7)
                    next_second += _PERIOD_US[1]
                    word = (word * 75 + 74) % 65537
                self.made += 1
            clock.now = look
            if look >= next_turn:
                self.encoder.turn_to(word)
                next_turn = look + _TURN_US
            self.link.reads = (look - begin) % _CYCLE_US > _SILENT_US
            while step():
                pass
        self._next = (next_first, next_second)
        gc.collect()  # in the virtual machine: when this call is over

    def weigh(self):
        """Note the bytes in use; what is free is the rest of the heap, which grows here."""
        self._heap_bytes[self._weighings] = gc.mem_alloc() if hasattr(gc, "mem_alloc") else 0
        self._weighings += 1

    def report(self):
        self.link.reads = True
        self.settle()
        sampler = self.app._sampler
        transmitter = self.app._transmitter
        print(
            json.dumps(
                {
                    "seconds": (self.clock.now - self._begin) / 1000000,
                    "made": self.made,
                    "conversions": [channel.conversions_total for channel in sampler.channels],
                    "sequences": [channel.sequence for channel in sampler.channels],
                    "samples_sent": self.link.samples,
                    "frames": self.link.frames,
                    "frames_sent_total": transmitter.frames_sent_total,
                    "dropped": transmitter._queue.dropped_total,
                    "late": [load.driver.late_read_total for load in sampler.loads],
                    "no_conversion": [load.driver.no_conversion_total for load in sampler.loads],
                    "desync": [load.driver.desync_total for load in sampler.loads],
                    "nonsense": sampler.angles[1].driver.invalid_transitions_total,
                    "stalls": transmitter.link_stalls_total,
                    "heap_bytes": self._heap_bytes[: self._weighings],
                }
            )
        )


long_run = LongRun(
    ARGUMENTS["start_us"],  # noqa: F821
    ARGUMENTS["first_sequence"],  # noqa: F821
    ARGUMENTS["away_us"],  # noqa: F821
)
long_run.settle()
