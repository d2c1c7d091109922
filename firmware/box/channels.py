"""From a driver's reading to a sample in the queue.

This is the sampling path: from here to the queue nothing allocates memory.

Why coroutines: on the microcontroller a call whose variables and arguments
need more than eleven words borrows its frame from the heap, and finding room
there takes as long as the work itself (tests/micropython/test_frames.py).  A
coroutine borrows its frame once, and what it works with stands ready in it.

Why the samples are packed here and not by `box.wire`: so many arguments would
cost one more frame.  Nothing can wrap: a sequence is masked, ticks are below
2**30, and the other numbers are of the width of the registers they come from.
"""

from struct import pack_into

from box.events import FaultWatch
from box.periodic import Periodic
from box.wire import (
    ANGLE_AGE_LIMIT_US,
    ANGLE_SAMPLE_FORMAT,
    ID_ANGLE_SAMPLE,
    ID_LOAD_SAMPLE,
    LOAD_SAMPLE_FORMAT,
    NO_COUNTS,
    SAMPLE_FLAGS_ANGLE_STALE,
    SAMPLE_FLAGS_BUTTON_HELD,
    SAMPLE_FLAGS_OVERLOAD,
    SAMPLE_FLAGS_SETTLING,
    SEQUENCE_MASK,
)

STALE_AFTER_US = 50000
"""Ten periods of the default angle rate: an angle older than this belongs to another moment."""

_NO_LIMIT = 1 << 29  # more than any counts


class AngleChannel:
    """Reads an angle sensor at its rate and remembers the last sound reading.

    `known`: there is a sound reading, `good_counts` of `good_ticks_us`, and it
    is not stale.
    """

    def __init__(self, index, facts, boot_id, queue, events, clock):
        self.index = index
        self.driver = facts.driver
        self.tally = None
        self.streaming = False
        self.conversions_total = 0
        self.known = False
        self.good_counts = NO_COUNTS
        self.good_ticks_us = 0
        self.sequence = 0
        self.watch = FaultWatch(events, index)
        self._timer = Periodic(clock, 1000000000 // facts.nominal_rate_millihertz)
        self._ticks_us = clock.ticks_us
        self._ticks_diff = clock.ticks_diff
        work = self._work(boot_id, queue.claim, clock.ticks_diff)
        next(work)
        self._take = work.send

    def configure(self, rate_millihertz):
        self._timer.restart(self._ticks_us(), 1000000000 // rate_millihertz)

    def poll(self, now):
        """Take a reading if one is due; microseconds until the next one is."""
        timer = self._timer
        wait_us = self._ticks_diff(timer.next_us, now)
        if wait_us <= 0:
            timer.due(now)
            self._take(None)
            wait_us = self._ticks_diff(timer.next_us, now)
        return wait_us

    def _work(self, boot_id, claim, ticks_diff):
        index = self.index
        driver = self.driver
        read = driver.read
        watch = self.watch
        clock_us = self._ticks_us
        while True:
            yield
            ticks_us = clock_us()
            read(ticks_us)
            counts = driver.counts
            flags = driver.flags
            self.conversions_total += 1
            if counts != NO_COUNTS:
                self.good_counts = counts
                self.good_ticks_us = ticks_us
                self.known = True
            elif self.known and ticks_diff(ticks_us, self.good_ticks_us) > STALE_AFTER_US:
                # Forgotten as soon as it is stale: kept for nine minutes, its
                # age would wrap and it would pass for fresh.
                self.known = False
            if flags or watch.alert:
                watch.see(flags, ticks_us)
            if self.tally is not None:
                self.tally.add(counts, flags, ticks_us)
            if self.streaming:
                sequence = self.sequence
                pack_into(
                    ANGLE_SAMPLE_FORMAT,
                    claim(),
                    1,
                    ID_ANGLE_SAMPLE,
                    index,
                    flags,
                    boot_id,
                    sequence,
                    ticks_us,
                    counts,
                    driver.sensor_status,
                    driver.sensor_gain,
                    driver.invalid_transitions_total,
                )
                self.sequence = (sequence + 1) & SEQUENCE_MASK


class LoadChannel:
    """Takes each conversion of a bridge amplifier, with the arm angle of that moment.

    `is_ready(now)`: True when there is one, or news of none; then `take(None)` it.
    """

    def __init__(self, index, facts, angle, button, boot_id, queue, events, clock):
        self.index = index
        self.driver = facts.driver
        self.tally = None
        self.streaming = False
        self.conversions_total = 0
        self.sequence = 0
        self.is_ready = facts.driver.poll
        self.watch = FaultWatch(events, index)
        self._overload_counts = facts.default_overload_counts
        self._angle = angle
        self._angle_age_us = 0
        self._ticks_diff = clock.ticks_diff
        work = self._work(boot_id, queue.claim, button)
        next(work)
        self.take = work.send

    def configure(self, gain, overload_counts):
        """Take settings over; `overload_counts` 0: no limit."""
        self.driver.set_gain(gain)
        self._overload_counts = overload_counts or _NO_LIMIT

    def wait_us(self, now):
        return self.driver.wait_us(now)

    def _work(self, boot_id, claim, button):
        index = self.index
        driver = self.driver
        watch = self.watch
        angle_at = self._angle_at
        while True:
            yield
            counts = driver.counts
            flags = driver.flags
            ticks_us = driver.ready_ticks_us
            self.conversions_total += 1
            limit = self._overload_counts
            if (counts >= limit or counts <= -limit) and counts != NO_COUNTS:
                if not flags & SAMPLE_FLAGS_SETTLING:
                    flags |= SAMPLE_FLAGS_OVERLOAD
            if flags or watch.alert:
                watch.see(flags, ticks_us)
            if self.tally is not None:
                self.tally.add(counts, flags, ticks_us)
            if self.streaming:
                if button.pressed:
                    flags |= SAMPLE_FLAGS_BUTTON_HELD
                angle_counts = angle_at(ticks_us)
                if angle_counts == NO_COUNTS and self._angle is not None:
                    flags |= SAMPLE_FLAGS_ANGLE_STALE
                sequence = self.sequence
                pack_into(
                    LOAD_SAMPLE_FORMAT,
                    claim(),
                    1,
                    ID_LOAD_SAMPLE,
                    index,
                    flags,
                    boot_id,
                    sequence,
                    ticks_us,
                    counts,
                    angle_counts,
                    self._angle_age_us,
                )
                self.sequence = (sequence + 1) & SEQUENCE_MASK

    def _angle_at(self, ticks_us):
        """The arm angle to go with a sample; its age is noted."""
        angle = self._angle
        if angle is None or not angle.known:
            self._angle_age_us = ANGLE_AGE_LIMIT_US
            return NO_COUNTS
        age_us = self._ticks_diff(ticks_us, angle.good_ticks_us)
        if age_us < 0:
            age_us = 0  # read between the edge and now: younger than the sample
        elif age_us > STALE_AFTER_US:
            self._angle_age_us = min(age_us, ANGLE_AGE_LIMIT_US)
            return NO_COUNTS
        self._angle_age_us = age_us
        return angle.good_counts
