"""How much a consumer may say.  It is here to listen."""

from __future__ import annotations

from typing import Final

BURST_BYTES: Final = 16 * 1024
BYTES_PER_SECOND: Final = 4 * 1024


class Allowance:
    """A budget of received bytes that fills up again with time (a token bucket)."""

    def __init__(self, now_seconds: float, burst: int = BURST_BYTES) -> None:
        self._burst = float(burst)
        self._left = float(burst)
        self._at_seconds = now_seconds

    def spend(self, size: int, now_seconds: float) -> bool:
        """Whether so many more bytes are within bounds."""
        gained = (now_seconds - self._at_seconds) * BYTES_PER_SECOND
        self._left = min(self._burst, self._left + gained) - size
        self._at_seconds = now_seconds
        return self._left >= 0
