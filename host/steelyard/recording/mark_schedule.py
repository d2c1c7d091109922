"""When to compare clocks: often at first, then once a second.  Pure arithmetic."""

from __future__ import annotations

from typing import Final

FIRST_PERIOD_SECONDS: Final = 0.25
STEADY_PERIOD_SECONDS: Final = 1.0
FIRST_PHASE_SECONDS: Final = 5.0
"""Why faster at first: the first marks have to fix the offset, and a short
recording has no others."""


class MarkSchedule:
    """Says when the next time mark is due; all times are monotonic ns."""

    def __init__(self, now_ns: int) -> None:
        """Start with a mark due at once."""
        self._begun_ns = now_ns
        self._due_ns = now_ns

    def is_due(self, now_ns: int) -> bool:
        """Whether a mark should be made now."""
        return now_ns >= self._due_ns

    def seconds_left(self, now_ns: int) -> float:
        """Time until the next mark, never negative."""
        return max(0, self._due_ns - now_ns) / 1e9

    def made(self, now_ns: int) -> None:
        """Note that a mark was made, or at least tried; the next is planned from now.

        Why from now and not on a grid: after a stall there must be no burst.
        """
        early = now_ns - self._begun_ns < FIRST_PHASE_SECONDS * 1e9
        period = FIRST_PERIOD_SECONDS if early else STEADY_PERIOD_SECONDS
        self._due_ns = now_ns + round(period * 1e9)
