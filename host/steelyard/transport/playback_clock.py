"""The time of a recording that is being played back."""

from __future__ import annotations

import time


class PlaybackClock:
    """Runs ``speed`` times as fast as the wall clock; with speed 0 it jumps.

    A jumping clock stands still until something waits, and then is there at
    once.  The wall time it tells is that of the recording, where known.
    """

    def __init__(self, speed: float, start_unix_ns: int | None) -> None:
        self._speed = speed
        self._started_ns = time.monotonic_ns()
        self._jumped_ns = 0
        self._start_unix_ns = time.time_ns() if start_unix_ns is None else start_unix_ns

    def monotonic_ns(self) -> int:
        """Nanoseconds played, or stood still, since the port was opened."""
        if self._speed == 0:
            return self._jumped_ns
        return round((time.monotonic_ns() - self._started_ns) * self._speed)

    def unix_ns(self) -> int:
        """Wall clock of the recording."""
        return self._start_unix_ns + self.monotonic_ns()

    def wait_until(self, moment_ns: int) -> None:
        """Let time pass until ``moment_ns`` of this clock."""
        if self._speed == 0:
            self._jumped_ns = max(self._jumped_ns, moment_ns)
            return
        left_ns = moment_ns - self.monotonic_ns()
        if left_ns > 0:
            time.sleep(left_ns / self._speed / 1e9)

    def sleep(self, seconds: float) -> None:
        """Let ``seconds`` of this clock pass."""
        self.wait_until(self.monotonic_ns() + round(seconds * 1e9))
