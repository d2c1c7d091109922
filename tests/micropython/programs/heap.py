"""Print what the sampling path and the frame path take from the heap, as JSON.

The sampling path, from the pin's interrupt to the packed slot in the queue,
runs with the heap locked: any allocation raises MemoryError.  All values are
variables, since the compiler folds constants and would hide an allocation.
"""

import gc
import json

import micropython
import quiet_parts
import quiet_pio_parts
from box.events import EventLog
from box.outbox import Outbox
from box.sample_queue import SampleQueue
from box.sampler import Sampler
from box.settings import Settings
from box.transmitter import Transmitter

_PERIOD_US = 11500
_FACE_VALUES = (0, 1, -2, 5000000, -5000000, 8388607, -8388608, -1, 4194303)


class NoFiles:
    def read(self, name):
        return None


class Path:
    """From the pins to the queue; `pio`: by way of state machines, and with an encoder."""

    def __init__(self, pio=False):
        self.encoder = None
        if pio:
            self.machine, self.clock, board, self.amplifiers, self.encoder = quiet_pio_parts.build()
        else:
            self.machine, self.clock, board, self.amplifiers = quiet_parts.build()
        self.outbox = Outbox()
        self.queue = SampleQueue(64, len(board.channels))
        events = EventLog(self.outbox, board.boot_id)
        self.sampler = Sampler(board, self.queue, events, self.clock)
        self.sampler.start(Settings(board.channels, NoFiles()))
        self.sampler.stream(True)
        board.button.pressed = True  # one more flag

    def conversions(self, word, count):
        """Both amplifiers convert `word` so often, and the angles are polled between."""
        clock = self.clock
        sampler = self.sampler
        for turn in range(count):
            clock.now += _PERIOD_US
            if self.encoder is not None:
                self.encoder.turn_to(turn * 37, turn)
            for amplifier in self.amplifiers:
                amplifier.convert(word)
            sampler.poll_loads(clock.now)
            sampler.poll_angles(clock.now)

    def silences(self, count):
        """Nothing converts until the drivers give up, so often."""
        for _ in range(count):
            self.clock.now += 10 * _PERIOD_US
            self.sampler.poll_loads(self.clock.now)
            self.sampler.poll_angles(self.clock.now)


def locked(work, *arguments):
    """The error that `work` raises with the heap locked, or None."""
    micropython.heap_lock()
    try:
        work(*arguments)
        error = None
    except MemoryError as caught:
        error = caught
    finally:
        micropython.heap_unlock()
    return None if error is None else repr(error)


def sampling_errors(path):
    """Name of each stretch of sampling that allocated, with its error."""
    errors = {}
    for value in _FACE_VALUES:
        # The first conversions of a fault post an event, which may allocate:
        # it is not a sample.  What is held to nothing is every sample after.
        path.conversions(value & 0xFFFFFF, 12)
        error = locked(path.conversions, value & 0xFFFFFF, 100)
        if error:
            errors[f"conversions of {value}"] = error
    path.silences(6)
    error = locked(path.silences, 20)
    if error:
        errors["no conversion"] = error
    for amplifier in path.amplifiers:
        amplifier.sticks_low = True
    path.conversions(1234, 2)
    error = locked(path.conversions, 1234, 20)
    if error:
        errors["desync"] = error
    return errors


def frame_bytes(path, frames):
    """Heap bytes taken for each sample frame sealed and sent, with collection off."""
    link = quiet_parts.QuietLink()
    transmitter = Transmitter(link, Outbox(), path.queue)
    taken = 0
    gc.collect()
    gc.disable()
    while transmitter.frames_sent_total < frames:
        path.conversions(1234567, 4)
        before = gc.mem_alloc()
        while transmitter.pump():
            pass
        taken += gc.mem_alloc() - before
    gc.enable()
    return taken / transmitter.frames_sent_total


def allocate(number):
    return [number]


def report(pio):
    path = Path(pio)
    errors = sampling_errors(path)
    return {
        "driver": type(path.sampler.loads[0].driver).__name__,
        "control": locked(allocate, path.clock.now),
        "sampling_errors": errors,
        "samples": sum(channel.conversions_total for channel in path.sampler.channels),
        "dropped": sum(path.queue.dropped_total),
        "no_conversion": path.sampler.loads[0].driver.no_conversion_total,
        "desync": path.sampler.loads[0].driver.desync_total,
        "suspect_steps": path.sampler.angles[1].driver.invalid_transitions_total,
        "frame_bytes": frame_bytes(Path(pio), 1000),
    }


print(json.dumps([report(False), report(True)]))
