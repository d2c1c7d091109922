"""About a second of readings from every sensor, judged channel by channel.

Nothing here waits: the channels go on as always and each keeps a tally; when
the time is up the tallies become results, which leave when there is room.
The machine must be at rest and unloaded, or the noise finding means nothing.
"""

from box.wire import (
    NO_COUNTS,
    SAMPLE_FLAGS_BUS_ERROR,
    SAMPLE_FLAGS_DESYNC,
    SAMPLE_FLAGS_LINE_HELD,
    SAMPLE_FLAGS_MAGNET_MISSING,
    SAMPLE_FLAGS_MAGNET_STRONG,
    SAMPLE_FLAGS_MAGNET_WEAK,
    SAMPLE_FLAGS_NO_CONVERSION,
    SAMPLE_FLAGS_OPEN_CIRCUIT,
    SAMPLE_FLAGS_SATURATED_HIGH,
    SAMPLE_FLAGS_SATURATED_LOW,
    SAMPLE_FLAGS_SETTLING,
    SELF_TEST_FINDINGS_BUS_ERROR,
    SELF_TEST_FINDINGS_DESYNC,
    SELF_TEST_FINDINGS_LINE_HELD,
    SELF_TEST_FINDINGS_MAGNET_FAULT,
    SELF_TEST_FINDINGS_NO_CONVERSION,
    SELF_TEST_FINDINGS_NOISY,
    SELF_TEST_FINDINGS_OPEN_CIRCUIT,
    SELF_TEST_FINDINGS_SATURATED,
    SELF_TEST_FINDINGS_STUCK,
    SELF_TEST_FINDINGS_WRONG_RATE,
    pack_self_test_result,
)

DURATION_MS = 1000
_RESULT_SLOTS = 2
_STUCK_FROM_COUNT = 8  # a live bridge never gives eight equal conversions in a row
_ANGLE_RATE_TOLERANCE = 20  # a twentieth of the rate that was set

_FINDING_OF_FLAGS = (
    (SAMPLE_FLAGS_NO_CONVERSION, SELF_TEST_FINDINGS_NO_CONVERSION),
    (SAMPLE_FLAGS_DESYNC, SELF_TEST_FINDINGS_DESYNC),
    (SAMPLE_FLAGS_SATURATED_HIGH | SAMPLE_FLAGS_SATURATED_LOW, SELF_TEST_FINDINGS_SATURATED),
    (SAMPLE_FLAGS_BUS_ERROR, SELF_TEST_FINDINGS_BUS_ERROR),
    (
        SAMPLE_FLAGS_MAGNET_MISSING | SAMPLE_FLAGS_MAGNET_WEAK | SAMPLE_FLAGS_MAGNET_STRONG,
        SELF_TEST_FINDINGS_MAGNET_FAULT,
    ),
    (SAMPLE_FLAGS_OPEN_CIRCUIT, SELF_TEST_FINDINGS_OPEN_CIRCUIT),
    (SAMPLE_FLAGS_LINE_HELD, SELF_TEST_FINDINGS_LINE_HELD),
)


class Tally:
    """Running count, extremes, sum and flags of one channel's readings.

    A reading that is still settling shows the pace of its part, but says
    nothing about force or noise.
    """

    def __init__(self, clock):
        self._ticks_diff = clock.ticks_diff
        self.count = 0
        self.low = NO_COUNTS
        self.high = NO_COUNTS
        self._total = 0
        self._flags = 0
        self._conversions = 0
        self._first_us = 0
        self._last_us = 0

    def add(self, counts, flags, ticks_us):
        if counts != NO_COUNTS:
            if self._conversions == 0:
                self._first_us = ticks_us
            self._conversions += 1
            self._last_us = ticks_us
        if flags & SAMPLE_FLAGS_SETTLING:
            return
        self._flags |= flags
        if counts == NO_COUNTS:
            return
        if self.count == 0:
            self.low = self.high = counts
        self.count += 1
        self.low = min(self.low, counts)
        self.high = max(self.high, counts)
        self._total += counts

    def mean(self):
        return self._total // self.count if self.count else NO_COUNTS

    def rate_millihertz(self):
        span_us = self._ticks_diff(self._last_us, self._first_us)
        if self._conversions < 2 or span_us <= 0:
            return 0
        return (self._conversions - 1) * 1000000000 // span_us

    def findings(self, facts, rate_millihertz):
        """What is wrong with the channel; `rate_millihertz` is the rate set for an angle."""
        findings = 0
        for flags, finding in _FINDING_OF_FLAGS:
            if self._flags & flags:
                findings |= finding
        if self.count == 0:
            return findings
        rate = self.rate_millihertz()
        if facts.is_load:
            if not facts.lowest_rate_millihertz <= rate <= facts.highest_rate_millihertz:
                findings |= SELF_TEST_FINDINGS_WRONG_RATE
            if self.count >= _STUCK_FROM_COUNT and self.low == self.high:
                findings |= SELF_TEST_FINDINGS_STUCK
            if self.high - self.low > facts.quiet_counts:
                findings |= SELF_TEST_FINDINGS_NOISY
        elif abs(rate - rate_millihertz) > rate_millihertz // _ANGLE_RATE_TOLERANCE:
            findings |= SELF_TEST_FINDINGS_WRONG_RATE
        return findings


class SelfTest:
    def __init__(self, board, sampler, settings, outbox, clock):
        self._board = board
        self._channels = sampler.channels
        self._settings = settings
        self._outbox = outbox
        self._clock = clock
        self._tallies = None
        self._ends_ms = 0
        self._next_result = 0
        self._correlation_id = -1
        self.running = False

    def begin(self, correlation_id):
        """Start, or answer again: False while another test runs.

        A repeated request costs no second test: while its test runs it
        changes nothing, afterwards it gets the same results again.
        """
        if correlation_id == self._correlation_id:
            if not self.running:
                self._next_result = 0
                self.running = True
            return True
        if self.running:
            return False
        self._correlation_id = correlation_id
        self._next_result = 0
        self._ends_ms = self._clock.ticks_add(self._clock.ticks_ms(), DURATION_MS)
        self._tallies = [Tally(self._clock) for _ in self._channels]
        for index, channel in enumerate(self._channels):
            channel.tally = self._tallies[index]
        self.running = True
        return True

    def poll(self):
        """While `running`: finish the test when its time is up; one result each call."""
        if self._channels[0].tally is not None:
            if self._clock.ticks_diff(self._clock.ticks_ms(), self._ends_ms) < 0:
                return
            for channel in self._channels:
                channel.tally = None
        if self._outbox.has_room(_RESULT_SLOTS):
            self._post(self._next_result)
            self._next_result += 1
            self.running = self._next_result < len(self._channels)

    def _post(self, index):
        tally = self._tallies[index]
        facts = self._board.channels[index]
        rate_set = self._settings.angle_rate_millihertz[index]
        self._outbox.post(
            pack_self_test_result(
                self._outbox.scratch,
                1,
                self._correlation_id,
                self._board.boot_id,
                index,
                tally.findings(facts, rate_set),
                min(tally.count, 65535),
                tally.low,
                tally.high,
                tally.mean(),
                tally.rate_millihertz(),
            )
        )
