"""The status message: every counter of the box, at least once a second."""

from box.wire import CHANNEL_LIMIT, TICKS_PERIOD_US, pack_status

_MASK_32 = 0xFFFFFFFF


class Heartbeat:
    def __init__(self, board, sampler, queue, outbox, transmitter, requests, inbox, memory, clock):
        self._board = board
        self._sampler = sampler
        self._queue = queue
        self._outbox = outbox
        self._transmitter = transmitter
        self._requests = requests
        self._inbox = inbox
        self._memory = memory
        self._clock = clock
        self._started_ms = clock.ticks_ms()
        self._conversions = [0] * CHANNEL_LIMIT
        self._dropped = [0] * CHANNEL_LIMIT

    def beat(self):
        """Post a status; False when an earlier message still waits, as it would go out stale."""
        if self._outbox.count:
            return False
        board = self._board
        sampler = self._sampler
        for channel in sampler.channels:
            self._conversions[channel.index] = channel.conversions_total & _MASK_32
            self._dropped[channel.index] = self._queue.dropped_total[channel.index] & _MASK_32
        return self._outbox.post(
            pack_status(
                self._outbox.scratch,
                1,
                board.boot_id,
                self._clock.ticks_us(),
                (self._clock.ticks_ms() - self._started_ms) & (TICKS_PERIOD_US - 1),
                1 if sampler.streaming else 0,
                board.reset_cause,
                self._queue.high_water,
                self._conversions,
                self._dropped,
                self._transmitter.frames_sent_total & _MASK_32,
                self._transmitter.link_stalls_total & _MASK_32,
                self._sum_loads("no_conversion_total"),
                self._sum_loads("desync_total"),
                self._sum_loads("saturated_total"),
                self._sum_loads("discarded_total"),
                self._sum_loads("late_read_total"),
                sum(angle.driver.bus_error_total for angle in sampler.angles) & _MASK_32,
                self._requests.requests_total & _MASK_32,
                self._inbox.garbage_bytes_total & _MASK_32,
                board.temperature_centicelsius(),
                self._memory.free_bytes,
            )
        )

    def _sum_loads(self, counter):
        return sum(getattr(load.driver, counter) for load in self._sampler.loads) & _MASK_32
