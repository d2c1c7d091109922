"""A load that hangs for minutes, watched for creep: no I/O, fed with samples.

The clock starts when the operator says that the load hangs.  From the moment it
is at rest, means of one second are kept; a load that is moved meanwhile spoils
the whole, because creep begins anew.
"""

from __future__ import annotations

import math
from typing import Final

from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.creep_test import START_SECONDS
from steelyard.calibration.stability import (
    SATURATED_FLAGS,
    TICKS_PERIOD_US,
    UNUSABLE_FLAGS,
    Stability,
    StabilityDetector,
    StabilityLimits,
    Verdict,
)

MEAN_SECONDS: Final = 1.0
LEAST_GAP_SECONDS: Final = 10.0
"""Without samples for longer than this nobody knows what happened to the load meanwhile."""


class HeldLoad:
    """Feed it every sample from the moment the load hangs, until ``done`` or ``refusal``."""

    def __init__(self, hold_seconds: float, limits: StabilityLimits | None = None) -> None:
        self.hold_seconds = hold_seconds
        self.seconds = 0.0
        self.refusal = ""
        self.at_rest: Verdict | None = None
        """The first verdict that found the load at rest."""
        self.readings: list[tuple[float, float]] = []
        """(seconds since the load hung, counts): means of a second."""
        self._detector = StabilityDetector(limits)
        self._last_ticks: int | None = None
        self._second: list[tuple[float, float]] = []

    @property
    def done(self) -> bool:
        """Whether the load has hung long enough, at rest."""
        hung = self.readings[-1][0] if self.readings else 0.0
        return not self.refusal and hung >= self.hold_seconds

    @property
    def text(self) -> str:
        """How far it is, for the operator."""
        minutes, seconds = divmod(int(self.seconds), 60)
        whole = f"{self.hold_seconds / 60.0:g}"
        return f"held for {minutes}:{seconds:02d} of {whole} minutes; touch nothing"

    def add(self, counts: int, ticks_us: int, flags: int = 0) -> Verdict:
        """Take one sample; gives the judgement of the last seconds."""
        passed = 0 if self._last_ticks is None else (ticks_us - self._last_ticks) % TICKS_PERIOD_US
        self._last_ticks = ticks_us
        self.seconds += passed * 1e-6
        verdict = self._detector.add(counts, ticks_us, flags)
        if passed > LEAST_GAP_SECONDS * 1e6:
            self.refusal = f"no samples came for {passed * 1e-6:.0f} s: hang it again"
        elif self.at_rest is None:
            self._wait_for_rest(verdict)
        else:
            self._watch(verdict)
            if not flags & (UNUSABLE_FLAGS | SATURATED_FLAGS) and counts != NO_COUNTS:
                self._keep(float(counts))
        return verdict

    def _wait_for_rest(self, verdict: Verdict) -> None:
        if verdict.stable:
            self.at_rest = verdict
            self.readings.append((self.seconds, verdict.counts_mean))
        elif self.seconds > START_SECONDS or verdict.stability is Stability.SATURATED:
            self.refusal = verdict.reason

    def _watch(self, verdict: Verdict) -> None:
        if verdict.stability in (Stability.MOVING, Stability.SATURATED, Stability.FAULTY):
            self.refusal = f"after {self.seconds:.0f} s: {verdict.reason}; hang it again"

    def _keep(self, counts: float) -> None:
        self._second.append((self.seconds, counts))
        if self.seconds - self._second[0][0] >= MEAN_SECONDS:
            count = len(self._second)
            mean = math.fsum(value for _, value in self._second) / count
            self.readings.append((self.seconds, mean))
            self._second.clear()
