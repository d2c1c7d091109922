"""Things that happen once: packed and posted, numbered so that a lost one shows."""

from box.outbox import ANSWER_SLOTS
from box.wire import (
    EVENT_KIND_FAULT_CLEARED,
    EVENT_KIND_FAULT_RAISED,
    EVENT_KIND_OVERLOAD_CLEARED,
    EVENT_KIND_OVERLOAD_RAISED,
    FLAG_COUNT,
    SAMPLE_FLAGS_BUS_ERROR,
    SAMPLE_FLAGS_DESYNC,
    SAMPLE_FLAGS_LINE_HELD,
    SAMPLE_FLAGS_MAGNET_MISSING,
    SAMPLE_FLAGS_MAGNET_STRONG,
    SAMPLE_FLAGS_MAGNET_WEAK,
    SAMPLE_FLAGS_NO_CONVERSION,
    SAMPLE_FLAGS_OPEN_CIRCUIT,
    SAMPLE_FLAGS_OVERLOAD,
    SAMPLE_FLAGS_SATURATED_HIGH,
    SAMPLE_FLAGS_SATURATED_LOW,
    SEQUENCE_MASK,
    pack_event,
)

FAULT_FLAGS = (
    SAMPLE_FLAGS_SATURATED_HIGH
    | SAMPLE_FLAGS_SATURATED_LOW
    | SAMPLE_FLAGS_NO_CONVERSION
    | SAMPLE_FLAGS_DESYNC
    | SAMPLE_FLAGS_BUS_ERROR
    | SAMPLE_FLAGS_MAGNET_MISSING
    | SAMPLE_FLAGS_MAGNET_WEAK
    | SAMPLE_FLAGS_MAGNET_STRONG
    | SAMPLE_FLAGS_OPEN_CIRCUIT
    | SAMPLE_FLAGS_LINE_HELD
)
_CLEAR_AFTER_SAMPLES = 8
_EVENT_SLOTS = 1


class EventLog:
    def __init__(self, outbox, boot_id):
        self._outbox = outbox
        self._boot_id = boot_id
        self.sequence = 0

    def report(self, ticks_us, kind, channel, flags):
        """Post one event.  Without room it is lost, and its number with it."""
        outbox = self._outbox
        if outbox.has_room(ANSWER_SLOTS + _EVENT_SLOTS):  # answers keep their room
            outbox.post(
                pack_event(
                    outbox.scratch, 1, self._boot_id, self.sequence, ticks_us, kind, channel, flags
                )
            )
        self.sequence = (self.sequence + 1) & SEQUENCE_MASK


class FaultWatch:
    """Reports one channel's faults and overload when they come and when they are over.

    Over means eight samples in a row without: a fault that flickers would
    otherwise fill the outbox with its comings and goings.
    `overloaded`: there is an overload, or was less than eight samples ago.
    `alert`: there is a fault or an overload that is not over: samples without a
    flag must be seen, too.
    `flag_totals`: samples with each flag, by its bit.
    """

    def __init__(self, events, channel):
        self._events = events
        self._channel = channel
        self._faults = 0
        self._sound_samples = 0
        self.overloaded = False
        self.alert = False
        self._light_samples = 0
        self.flag_totals = [0] * FLAG_COUNT

    def see(self, flags, ticks_us):
        """Look at the flags of the newest sample, taken at `ticks_us`."""
        if flags:
            self._count(flags)
        if flags & FAULT_FLAGS:
            self._faulty(flags & FAULT_FLAGS, ticks_us)
        elif self._faults:
            self._sound(ticks_us)
        if flags & SAMPLE_FLAGS_OVERLOAD:
            self._heavy(ticks_us)
        elif self.overloaded:
            self._light(ticks_us)
        self.alert = self._faults != 0 or self.overloaded

    def _count(self, flags):
        totals = self.flag_totals
        bit = 0
        while flags:
            if flags & 1:
                totals[bit] = (totals[bit] + 1) & SEQUENCE_MASK  # stays off the heap
            flags >>= 1
            bit += 1

    def _faulty(self, faults, ticks_us):
        self._sound_samples = 0
        fresh = faults & ~self._faults
        if fresh:
            self._faults |= fresh
            self._events.report(ticks_us, EVENT_KIND_FAULT_RAISED, self._channel, fresh)

    def _sound(self, ticks_us):
        self._sound_samples += 1
        if self._sound_samples >= _CLEAR_AFTER_SAMPLES:
            self._events.report(ticks_us, EVENT_KIND_FAULT_CLEARED, self._channel, self._faults)
            self._faults = 0
            self._sound_samples = 0

    def _heavy(self, ticks_us):
        self._light_samples = 0
        if not self.overloaded:
            self.overloaded = True
            self._events.report(
                ticks_us, EVENT_KIND_OVERLOAD_RAISED, self._channel, SAMPLE_FLAGS_OVERLOAD
            )

    def _light(self, ticks_us):
        self._light_samples += 1
        if self._light_samples >= _CLEAR_AFTER_SAMPLES:
            self.overloaded = False
            self._light_samples = 0
            self._events.report(
                ticks_us, EVENT_KIND_OVERLOAD_CLEARED, self._channel, SAMPLE_FLAGS_OVERLOAD
            )
