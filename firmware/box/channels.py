"""From a driver's reading to a sample in the queue.

This is the sampling path: from here to the queue nothing allocates memory that
outlives the call.  (On the microcontroller a call with more than eleven words
of state borrows its frame from the heap and gives it back on return; that
makes no garbage, so it brings no collection nearer.)
"""

from box.events import FaultWatch
from box.periodic import Periodic
from box.wire import (
    ANGLE_AGE_LIMIT_US,
    NO_COUNTS,
    SAMPLE_FLAGS_ANGLE_STALE,
    SAMPLE_FLAGS_BUTTON_HELD,
    SAMPLE_FLAGS_OVERLOAD,
    SAMPLE_FLAGS_SETTLING,
    SEQUENCE_MASK,
    pack_angle_sample,
    pack_load_sample,
)

STALE_AFTER_US = 50000
"""Ten periods of the default angle rate: an angle older than this belongs to another moment."""


class AngleChannel:
    """Reads an angle sensor at its rate and remembers the last sound reading."""

    def __init__(self, index, facts, boot_id, queue, events, clock):
        self.index = index
        self.driver = facts.driver
        self.tally = None
        self.conversions_total = 0
        self.good_counts = NO_COUNTS
        self.good_ticks_us = 0
        self._boot_id = boot_id
        self._queue = queue
        self.watch = FaultWatch(events, index)
        self._ticks_us = clock.ticks_us
        self._ticks_diff = clock.ticks_diff
        self._timer = Periodic(clock, 1000000000 // facts.nominal_rate_millihertz)
        self._sequence = 0

    def configure(self, rate_millihertz):
        self._timer.restart(self._ticks_us(), 1000000000 // rate_millihertz)

    def wait_us(self, now):
        return self._timer.wait_us(now)

    def poll(self, now, streaming):
        """Take a reading if one is due; True when it was."""
        if not self._timer.due(now):
            return False
        driver = self.driver
        ticks_us = self._ticks_us()
        driver.read(ticks_us)
        counts = driver.counts
        flags = driver.flags
        self.conversions_total += 1
        self._remember(counts, ticks_us)
        self.watch.see(flags, ticks_us)
        if self.tally is not None:
            self.tally.add(counts, flags, ticks_us)
        if streaming:
            slot = self._queue.claim()
            pack_angle_sample(
                slot,
                1,
                self.index,
                flags,
                self._boot_id,
                self._sequence,
                ticks_us,
                counts,
                driver.sensor_status,
                driver.sensor_gain,
                driver.invalid_transitions_total,
            )
            self._queue.commit()
            self._sequence = (self._sequence + 1) & SEQUENCE_MASK
        return True

    def _remember(self, counts, ticks_us):
        if counts != NO_COUNTS:
            self.good_counts = counts
            self.good_ticks_us = ticks_us
        elif self.good_counts != NO_COUNTS:
            # Forgotten as soon as it is stale: kept for nine minutes, its age
            # would wrap and it would pass for fresh.
            if self._ticks_diff(ticks_us, self.good_ticks_us) > STALE_AFTER_US:
                self.good_counts = NO_COUNTS


class LoadChannel:
    """Takes each conversion of a bridge amplifier, with the arm angle of that moment."""

    def __init__(self, index, facts, angle, boot_id, queue, events, clock):
        self.index = index
        self.driver = facts.driver
        self.overload_counts = facts.default_overload_counts
        self.tally = None
        self.conversions_total = 0
        self._angle = angle
        self._boot_id = boot_id
        self._queue = queue
        self.watch = FaultWatch(events, index)
        self._ticks_diff = clock.ticks_diff
        self._poll_driver = facts.driver.poll
        self._sequence = 0

    def configure(self, gain, overload_counts):
        self.driver.set_gain(gain)
        self.overload_counts = overload_counts

    def wait_us(self, now):
        return self.driver.wait_us(now)

    def poll(self, now, streaming, button_held):
        """Take the conversion if one is ready; True when there was one."""
        if not self._poll_driver(now):
            return False
        driver = self.driver
        counts = driver.counts
        flags = driver.flags
        self.conversions_total += 1
        if self._is_overload(counts, flags):
            flags |= SAMPLE_FLAGS_OVERLOAD
        self.watch.see(flags, driver.ready_ticks_us)
        if self.tally is not None:
            self.tally.add(counts, flags, driver.ready_ticks_us)
        if streaming:
            if button_held:
                flags |= SAMPLE_FLAGS_BUTTON_HELD
            self._publish(counts, flags, driver.ready_ticks_us)
        return True

    def _is_overload(self, counts, flags):
        limit = self.overload_counts
        return (
            limit
            and counts != NO_COUNTS
            and not flags & SAMPLE_FLAGS_SETTLING
            and (counts >= limit or counts <= -limit)
        )

    def _publish(self, counts, flags, ticks_us):
        angle_counts = NO_COUNTS
        age_us = ANGLE_AGE_LIMIT_US
        angle = self._angle
        if angle is not None and angle.good_counts != NO_COUNTS:
            # An angle read between the edge and now is younger than the sample: age 0.
            age_us = min(max(self._ticks_diff(ticks_us, angle.good_ticks_us), 0), age_us)
            if age_us <= STALE_AFTER_US:
                angle_counts = angle.good_counts
        if angle is not None and angle_counts == NO_COUNTS:
            flags |= SAMPLE_FLAGS_ANGLE_STALE
        slot = self._queue.claim()
        pack_load_sample(
            slot,
            1,
            self.index,
            flags,
            self._boot_id,
            self._sequence,
            ticks_us,
            counts,
            angle_counts,
            age_us,
        )
        self._queue.commit()
        self._sequence = (self._sequence + 1) & SEQUENCE_MASK
