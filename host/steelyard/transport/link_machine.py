"""When to try to open a port, and what to think of the outcome.

Knows no clock and no port, so tests drive it with made-up times.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

_NS: Final = 1_000_000_000


class LinkPhase(Enum):
    """Where a link stands."""

    CLOSED = "closed"
    OPENING = "opening"
    OPEN = "open"
    LOST = "lost"


@dataclass(frozen=True)
class Backoff:
    """How long to wait between attempts, in seconds.

    Each failure doubles the wait, up to ``longest``.  A link that held for
    ``steady`` starts again with ``shortest``; one that opens and dies at once
    does not, or it would spin.
    """

    shortest: float = 0.1
    longest: float = 2.0
    steady: float = 2.0

    def wait_seconds(self, failures: int) -> float:
        """The wait after so many failures in a row."""
        return min(self.longest, self.shortest * 2.0 ** min(failures - 1, 30))


class LinkMachine:
    """closed → opening → open → lost → opening ...; all times are monotonic ns.

    News that does not fit the phase (a loss of what is not open) is ignored.
    """

    def __init__(self, backoff: Backoff | None = None) -> None:
        self.phase = LinkPhase.CLOSED
        self.openings_total = 0
        self.failures_total = 0
        self.last_failure = ""
        self._backoff = backoff or Backoff()
        self._failures_in_a_row = 0
        self._attempt_due_ns: int | None = None
        self._opened_ns = 0

    @property
    def attempt_due_ns(self) -> int | None:
        """When the next attempt is due; None: none is planned."""
        return self._attempt_due_ns

    def start(self, now_ns: int) -> None:
        """Plan the first attempt, for now."""
        if self.phase is LinkPhase.CLOSED:
            self.phase = LinkPhase.OPENING
            self._attempt_due_ns = now_ns

    def attempt_due(self, now_ns: int) -> bool:
        """Whether to try to open now; moves from lost to opening."""
        if self._attempt_due_ns is None or now_ns < self._attempt_due_ns:
            return False
        self.phase = LinkPhase.OPENING
        return True

    def opened(self, now_ns: int) -> None:
        """The attempt succeeded."""
        if self.phase is not LinkPhase.OPENING:
            return
        self.phase = LinkPhase.OPEN
        self.openings_total += 1
        self._attempt_due_ns = None
        self._opened_ns = now_ns

    def failed(self, now_ns: int, reason: str) -> None:
        """The attempt failed."""
        if self.phase is not LinkPhase.OPENING:
            return
        self.failures_total += 1
        self._plan(now_ns, reason)

    def lost(self, now_ns: int, reason: str) -> None:
        """The open link is gone."""
        if self.phase is not LinkPhase.OPEN:
            return
        if now_ns - self._opened_ns >= self._backoff.steady * _NS:
            self._failures_in_a_row = 0
        self.phase = LinkPhase.LOST
        self._plan(now_ns, reason)

    def close(self) -> None:
        """Nothing more is wanted."""
        self.phase = LinkPhase.CLOSED
        self._attempt_due_ns = None

    def _plan(self, now_ns: int, reason: str) -> None:
        self.last_failure = reason
        self._failures_in_a_row += 1
        wait = self._backoff.wait_seconds(self._failures_in_a_row)
        self._attempt_due_ns = now_ns + round(wait * _NS)
