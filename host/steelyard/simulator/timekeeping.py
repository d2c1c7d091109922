"""How time passes for a virtual box: with the wall, or only when it is asked."""

from __future__ import annotations

import threading
import time
from typing import Final

from .box import VirtualBox

MONOTONIC_START_NS: Final = 1_000_000_000_000
CATCH_UP_US: Final = 1_000_000
"""Of the box's time at one go: a read returns even where the computer cannot keep up."""


class SimulatedClock:
    """The host's clock that goes with a virtual box, and what drives the box by it.

    At a finite speed the box follows the wall clock.  At ``speed=max`` host time
    is the box's own, and stands still between reads.  ``clock_ppm`` of the
    options sets the two apart, as two crystals are.  Safe to use from threads.
    """

    def __init__(self, box: VirtualBox) -> None:
        self.box = box
        self.lock = threading.RLock()
        options = box.options
        self.virtual_time = options.virtual_time
        self._speed = options.speed
        self._rate = 1.0 + options.clock_ppm * 1e-6
        self._wall_start_ns = time.monotonic_ns()
        if self.virtual_time:
            self._monotonic_start_ns = MONOTONIC_START_NS
            self._unix_start_ns = round(options.start_unix_seconds * 1e9)
        else:
            self._monotonic_start_ns = self._wall_start_ns
            self._unix_start_ns = time.time_ns()

    def monotonic_ns(self) -> int:
        """Nanoseconds on the host's clock that never steps."""
        return self._monotonic_start_ns + self._elapsed_ns()

    def unix_ns(self) -> int:
        """Nanoseconds since 1970-01-01 UTC on the host's wall clock."""
        return self._unix_start_ns + self._elapsed_ns()

    def sleep(self, seconds: float) -> None:
        """Wait so many host seconds; the box goes on meanwhile."""
        if self.virtual_time:
            with self.lock:
                self.box.run_until(self.box.now_us + round(seconds * 1e6 * self._rate))
            return
        time.sleep(seconds / self._speed)
        with self.lock:
            self.box.run_until(self._present_us())

    def catch_up(self) -> None:
        """Bring the box to the present of the wall clock, or a second nearer to it.

        Nothing to do in virtual time.
        """
        if not self.virtual_time:
            with self.lock:
                self.box.run_until(min(self._present_us(), self.box.now_us + CATCH_UP_US))

    def _present_us(self) -> int:
        return int(self._elapsed_ns() * self._rate) // 1000

    def _elapsed_ns(self) -> int:
        if self.virtual_time:
            return int(self.box.now_us * 1000 / self._rate)
        wall_ns = time.monotonic_ns() - self._wall_start_ns
        return wall_ns if self._speed == 1.0 else int(wall_ns * self._speed)
