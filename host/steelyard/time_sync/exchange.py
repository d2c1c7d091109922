"""One question and answer that tells two clocks apart."""

from __future__ import annotations

from typing import NamedTuple

from steelyard_protocol.records import TimeMark

from steelyard.time_sync.ticks import ticks_difference_us, ticks_middle_us

_ROUND_TRIP_LIMIT_US = (1 << 32) - 1


class ClockExchange(NamedTuple):
    """A `read_clock` exchange: when it left, when the box had it, when it was back."""

    boot_id: int
    received_ticks_us: int
    """Device clock when the request was read, modulo 2**30 [us]."""
    sent_ticks_us: int
    """Device clock when the answer was made, modulo 2**30 [us]."""
    host_sent_ns: int
    """Host's monotonic clock just before the request was written [ns]."""
    host_received_ns: int
    """Host's monotonic clock just after the answer was read [ns]."""
    host_unix_ns: int
    """Host's wall clock at the same moment as ``host_received_ns`` [ns]."""

    @property
    def round_trip_us(self) -> int:
        """Time under way, both directions, less the box's own share; never negative."""
        own_us = ticks_difference_us(self.sent_ticks_us, self.received_ticks_us)
        under_way_us = (self.host_received_ns - self.host_sent_ns) // 1000 - own_us
        return min(max(under_way_us, 0), _ROUND_TRIP_LIMIT_US)

    def time_mark(self) -> TimeMark:
        """The exchange as a recording keeps it: both clocks at its middle.

        Why the middle: if both directions take equally long, the two middles are
        the same moment.  They need not, so the middle may be wrong by at most
        half the round trip (D. L. Mills, RFC 5905, sections 8 and 10).
        """
        half_ns = (self.host_received_ns - self.host_sent_ns) // 2
        return TimeMark(
            boot_id=self.boot_id,
            device_ticks_us=ticks_middle_us(self.received_ticks_us, self.sent_ticks_us),
            host_monotonic_ns=self.host_received_ns - half_ns,
            host_unix_ns=self.host_unix_ns - half_ns,
            round_trip_us=self.round_trip_us,
        )
