"""Device time of a running stream on this computer's wall clock, in bounded memory.

The same line as for recordings (`time_sync.fit_clock`), through the latest two
minutes of time marks.  Unlike a recording's, it follows the wall clock when
that is set right, because consumers compare it with their own.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from steelyard_protocol.records import TimeMark

from steelyard.time_sync import ClockFit, MarkColumns, TickUnwrapper, fit_clock

MARK_LIMIT: Final = 120
FIT_SHARE: Final = 8
"""The line is drawn anew once the marks since are an eighth of those that it rests on: with
each of the first eight, every 15 seconds in the end.  Why not with each: a line takes a
millisecond, and of hundreds of boxes in one process that would be a good part of its work."""
_JUMP_LIMIT_US: Final = 20_000
"""A mark further off the line than this (and its own round trip) means that a clock stood
still or was changed; the line starts anew."""


class LiveClock:
    """Unwraps one box's ticks and maps them to microseconds since 1970 UTC."""

    def __init__(self) -> None:
        self._ticks = TickUnwrapper()
        self._boot_id: int | None = None
        # All the room at once: with hundreds of boxes, marks that gather one by one look
        # like a leak for two minutes. One row for each of `MarkColumns`, newest mark last.
        self._marks = np.zeros((5, MARK_LIMIT), np.int64)
        self._mark_count = 0
        self._fit: ClockFit | None = None
        self._unfitted_count = 0
        self._wall_ns = 0

    def device_us(self, boot_id: int, ticks_us: int, uptime_ms: int | None = None) -> int:
        """Unwrap a reading of the box's clock; a status frame's with its uptime."""
        if boot_id != self._boot_id:
            self._boot_id = boot_id
            self._ticks = TickUnwrapper()
            self._mark_count = 0
            self._fit = None
        if uptime_ms is None:
            return self._ticks.unwrap(boot_id, ticks_us)
        return self._ticks.anchor(boot_id, ticks_us, uptime_ms)

    def add(self, mark: TimeMark) -> None:
        """Take the next time mark."""
        device_us = self.device_us(mark.boot_id, mark.device_ticks_us)
        if self._fit is not None:
            expected = int(self._fit.host_monotonic_ns(device_us))
            slack_us = _JUMP_LIMIT_US + mark.round_trip_us
            if abs(mark.host_monotonic_ns - expected) > slack_us * 1000:
                self._mark_count = 0
        self._marks[:, :-1] = self._marks[:, 1:]
        self._marks[:, -1] = (
            mark.boot_id,
            device_us,
            mark.host_monotonic_ns,
            mark.host_unix_ns,
            mark.round_trip_us,
        )
        self._mark_count = min(self._mark_count + 1, MARK_LIMIT)
        self._wall_ns = mark.host_unix_ns - mark.host_monotonic_ns
        self._unfitted_count += 1
        if self._unfitted_count * FIT_SHARE >= self._mark_count:
            self._fit = fit_clock(MarkColumns(*self._marks[:, -self._mark_count :]))
            self._unfitted_count = 0

    def monotonic_us(self, device_us: int) -> int | None:
        """This computer's monotonic clock at a moment of the box's; None before any mark."""
        fit = self._fit
        if fit is None:
            return None
        # Plain numbers: this is done for every sample, one at a time.
        elapsed = device_us - fit.centre_device_us
        return fit.centre_host_ns // 1000 + elapsed + round(fit.offset_us + fit.slope * elapsed)

    def unix_us(self, device_us: int) -> int | None:
        """Microseconds since 1970 UTC by the wall clock; None before any mark."""
        monotonic_us = self.monotonic_us(device_us)
        return None if monotonic_us is None else monotonic_us + self._wall_ns // 1000

    def state(self) -> dict[str, Any]:
        """How far to trust it, as plain data."""
        fit = self._fit
        if fit is None:
            return {"aligned": False}
        return {
            "aligned": True,
            "device_fast_ppm": round(fit.device_fast_ppm, 2),
            "standard_uncertainty_us": round(float(fit.uncertainty_us(fit.last_device_us)), 1),
            "marks": fit.mark_count,
        }
