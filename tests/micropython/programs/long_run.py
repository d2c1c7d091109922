"""The box for a long time: every conversion accounted for, and the heap weighed.

Two amplifiers at 94 a second by state machine, an encoder, an arm angle at
200 Hz.  Now and then the host does not read for two seconds.  Runs inside the
MicroPython virtual machine and on CPython.
"""

import gc
import json

import quiet_parts
import quiet_pio_parts
from box.app import App

_PERIOD_US = (10638, 10641)  # 94 a second, the most that a part can do; no two are alike
_TICKS_MASK = 0x3FFFFFFF
_CYCLE_US = 60000000
_SILENT_US = 2000000
_SAMPLE_IDS = (3, 4)


class WrappingClock(quiet_parts.QuietClock):
    """Ticks modulo 2**30, while `now` goes on."""

    def __init__(self, start):
        quiet_parts.QuietClock.__init__(self)
        self.now = start

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


class NoFiles:
    def read(self, name):
        return None


class LongRun:
    """The box from `start_us` of its clock on, its counters from `first_sequence`."""

    def __init__(self, start_us, first_sequence):
        self.clock = WrappingClock(start_us)
        _, _, board, self.amplifiers, self.encoder = quiet_pio_parts.build(self.clock)
        self.link = CountingLink()
        self.app = App(board, self.link, self.clock, NoFiles())
        for channel in self.app._sampler.channels:
            channel._sequence = first_sequence
        # A start_stream request as the host frames it.
        self.link.send(bytes(ARGUMENTS["start_stream"]))  # noqa: F821 - set by vm.mjs
        self.made = 0
        self.elapsed_us = 0
        self.heap_bytes = []

    def settle(self):
        while self.app.step():
            pass

    def run(self, seconds):
        """Every amplifier and angle at its own time; the box looks after each."""
        clock = self.clock
        step = self.app.step
        first, second = self.amplifiers
        next_first = clock.now + _PERIOD_US[0]
        next_second = clock.now + _PERIOD_US[1]
        begin = clock.now - self.elapsed_us
        end = clock.now + seconds * 1000000
        word = 1
        while clock.now < end:
            idle_until = clock.now + max(self.app.idle_us(), 1)
            clock.now = min(idle_until, next_first, next_second)
            if clock.now == next_first:
                first.convert(word)
                next_first += _PERIOD_US[0]
                self.made += 1
            if clock.now == next_second:
                second.convert(word + 7)
                next_second += _PERIOD_US[1]
                self.made += 1
                word = (word * 75 + 74) % 65537
                self.encoder.turn_to(word)
            self.link.reads = (clock.now - begin) % _CYCLE_US > _SILENT_US
            while step():
                pass
        self.elapsed_us = clock.now - begin
        gc.collect()  # in the virtual machine: when this call is over

    def weigh(self):
        """Note the bytes in use; what is free is the rest of the heap, which grows here."""
        self.heap_bytes.append(gc.mem_alloc() if hasattr(gc, "mem_alloc") else 0)

    def report(self):
        self.link.reads = True
        self.settle()
        sampler = self.app._sampler
        transmitter = self.app._transmitter
        print(
            json.dumps(
                {
                    "seconds": self.elapsed_us / 1000000,
                    "made": self.made,
                    "conversions": [channel.conversions_total for channel in sampler.channels],
                    "sequences": [channel._sequence for channel in sampler.channels],
                    "samples_sent": self.link.samples,
                    "frames": self.link.frames,
                    "frames_sent_total": transmitter.frames_sent_total,
                    "dropped": transmitter._queue.dropped_total,
                    "late": [load.driver.late_read_total for load in sampler.loads],
                    "no_conversion": [load.driver.no_conversion_total for load in sampler.loads],
                    "desync": [load.driver.desync_total for load in sampler.loads],
                    "nonsense": sampler.angles[1].driver.invalid_transitions_total,
                    "stalls": transmitter.link_stalls_total,
                    "heap_bytes": self.heap_bytes,
                }
            )
        )


long_run = LongRun(ARGUMENTS["start_us"], ARGUMENTS["first_sequence"])  # noqa: F821
long_run.settle()
