"""Is the load at rest?  A judgement on streamed counts, with the reason when it is not.

The last few seconds are cut into blocks.  The spread inside the blocks is
noise; what the block means do beyond that noise is the load itself moving
(back and forth) or drifting (steadily one way).  No I/O and no clock of its
own: time is what the samples say.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from enum import Enum
from typing import Final

from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.readings import (
    CONVERTER_HIGH,
    CONVERTER_LOW,
    mean_and_standard_error,
    sample_sd,
)

TICKS_PERIOD_US: Final = 1 << 30

SATURATED_FLAGS: Final = 0x0001 | 0x0002
UNUSABLE_FLAGS: Final = 0x0004 | 0x0008 | 0x0010 | 0x0020 | 0x1000
"""no conversion, desync, settling, suspect, open circuit: as in ``records.SampleFlags``.

Written out so that the judgement does not depend on the wire; a test compares them."""

BLOCKS: Final = 12
LEAST_BLOCK_SAMPLES: Final = 2
UNUSABLE_SHARE: Final = 0.05
WHOLE_WINDOW: Final = 0.9
"""Share of the window that samples must span; less than 1, since the oldest has just left."""

JUMP_LEAVES: Final = 0.1
"""What a jump may leave of the sum of squares of the block means."""

LIKELY_NOISE: Final = 5.0
"""A range of block means this many times their own standard deviation is still noise."""


class Stability(Enum):
    """What the last seconds look like."""

    WAITING = "waiting for enough samples"
    STABLE = "stable"
    MOVING = "moving"
    DRIFTING = "drifting"
    NOISY = "noisy"
    SATURATED = "saturated"
    FAULTY = "faulty"


@dataclass(frozen=True)
class StabilityLimits:
    """When a load counts as at rest.  Common practice, no source: the shares below of the span.

    Limits on movement and drift are for the mean, after noise is averaged out.
    """

    window_seconds: float = 3.0
    movement_counts: float = 400.0
    """Largest back-and-forth of the block means."""
    drift_counts_per_second: float = 100.0
    noise_counts: float = 1000.0
    """Largest standard deviation within a block."""

    @classmethod
    def for_span(cls, span_counts: float, window_seconds: float = 3.0) -> StabilityLimits:
        """Limits for loads that span so many counts: 0.04 %, 0.01 %/s and 0.1 % of it."""
        return cls(window_seconds, 4e-4 * span_counts, 1e-4 * span_counts, 1e-3 * span_counts)


@dataclass(frozen=True)
class Verdict:
    """The judgement: state, reason for a person, and the reading so far.

    ``counts_mean`` and ``counts_standard_error`` are over the window (not a
    number while waiting or faulty), from ``sample_count`` samples.
    """

    stability: Stability
    reason: str
    counts_mean: float = math.nan
    counts_standard_error: float = math.nan
    sample_count: int = 0

    @property
    def stable(self) -> bool:
        """Whether the reading may be taken."""
        return self.stability is Stability.STABLE


class StabilityDetector:
    """Feed it every load sample; it judges the window that ends with the latest one."""

    def __init__(self, limits: StabilityLimits | None = None) -> None:
        self.limits = limits or StabilityLimits()
        self._window: deque[tuple[int, float]] = deque()
        self._bad: deque[tuple[int, bool]] = deque()
        self._now_us = 0
        self._last_ticks: int | None = None
        self._next_judgement_us = 0
        self._verdict = Verdict(Stability.WAITING, "no sample yet")

    def restart(self) -> None:
        """Forget what was seen: the load has just been changed."""
        self._window.clear()
        self._bad.clear()
        self._last_ticks = None
        self._verdict = Verdict(Stability.WAITING, "no sample yet")

    def add(self, counts: int, ticks_us: int, flags: int = 0) -> Verdict:
        """Take one sample; ``ticks_us`` is the device clock and may wrap at 2**30.

        Judging costs more than taking, so it is done once a block; in between
        the last verdict stands.
        """
        self._advance(ticks_us)
        saturated = bool(flags & SATURATED_FLAGS) or not CONVERTER_LOW < counts < CONVERTER_HIGH
        if counts == NO_COUNTS or flags & UNUSABLE_FLAGS:
            self._bad.append((self._now_us, False))
        elif saturated:
            self._bad.append((self._now_us, True))
        else:
            self._window.append((self._now_us, float(counts)))
        self._forget()
        if self._now_us >= self._next_judgement_us:
            block_us = self.limits.window_seconds * 1e6 / BLOCKS
            self._next_judgement_us = self._now_us + int(block_us)
            self._verdict = self._judge()
        return self._verdict

    def _advance(self, ticks_us: int) -> None:
        if self._last_ticks is None:
            self._next_judgement_us = self._now_us
        else:
            self._now_us += (ticks_us - self._last_ticks) % TICKS_PERIOD_US
        self._last_ticks = ticks_us

    def _forget(self) -> None:
        oldest = self._now_us - int(self.limits.window_seconds * 1e6)
        while self._window and self._window[0][0] < oldest:
            self._window.popleft()
        while self._bad and self._bad[0][0] < oldest:
            self._bad.popleft()

    def _judge(self) -> Verdict:
        faults = len(self._bad)
        saturated = sum(1 for _, is_saturated in self._bad if is_saturated)
        if saturated:
            return Verdict(
                Stability.SATURATED,
                f"saturated: {saturated} of the last {faults + len(self._window)} samples are at "
                "the end of the converter's range; take weight off or lower the gain",
            )
        if faults > UNUSABLE_SHARE * (faults + len(self._window)):
            return Verdict(
                Stability.FAULTY,
                f"faulty: {faults} of the last {faults + len(self._window)} samples carry no "
                "usable reading; check the wires of the sensor",
            )
        seen_seconds = (self._now_us - self._window[0][0]) * 1e-6 if self._window else 0.0
        enough = len(self._window) >= BLOCKS * LEAST_BLOCK_SAMPLES
        if seen_seconds < WHOLE_WINDOW * self.limits.window_seconds or not enough:
            wanted = self.limits.window_seconds
            return Verdict(Stability.WAITING, f"{seen_seconds:.1f} of {wanted:.1f} s seen")
        return self._judge_window([counts for _, counts in self._window])

    def _judge_window(self, counts: list[float]) -> Verdict:
        size = len(counts) // BLOCKS
        blocks = [counts[start : start + size] for start in range(0, size * BLOCKS, size)]
        means = [math.fsum(block) / size for block in blocks]
        noise = math.sqrt(math.fsum(sample_sd(block) ** 2 for block in blocks) / BLOCKS)
        mean, error = mean_and_standard_error(counts, BLOCKS)
        state, reason = self._compare(means, noise, size)
        return Verdict(state, reason, mean, error, len(counts))

    def _compare(self, means: list[float], noise: float, size: int) -> tuple[Stability, str]:
        limits = self.limits
        block_seconds = limits.window_seconds / BLOCKS
        per_block, off_line = _line(means)
        drift = abs(per_block) / block_seconds
        noise_of_means = noise / math.sqrt(size)
        jump = _jump(means)
        if abs(jump) > max(limits.movement_counts, LIKELY_NOISE * noise_of_means):
            return Stability.MOVING, (
                f"moving: the reading jumped by {jump:+.0f} counts, {limits.movement_counts:.0f} "
                "allowed; did a plate slip or somebody touch the load"
            )
        movement = max(off_line) - min(off_line)
        if movement > max(limits.movement_counts, LIKELY_NOISE * noise_of_means):
            return Stability.MOVING, (
                f"moving: the reading goes back and forth by {movement:.0f} counts, "
                f"{limits.movement_counts:.0f} allowed; let the load hang still"
            )
        # standard error of a slope over equally spaced block means
        drift_noise = noise_of_means / block_seconds * math.sqrt(12.0 / (BLOCKS**3 - BLOCKS))
        if drift > max(limits.drift_counts_per_second, 4.0 * drift_noise):
            return Stability.DRIFTING, (
                f"drifting: {drift:.0f} counts each second, "
                f"{limits.drift_counts_per_second:.0f} allowed; wait for sensor and load to settle"
            )
        if noise > limits.noise_counts:
            return Stability.NOISY, (
                f"noisy: standard deviation {noise:.0f} counts, {limits.noise_counts:.0f} "
                "allowed; check shield, supply and connectors"
            )
        return Stability.STABLE, "stable"


def _line(means: list[float]) -> tuple[float, list[float]]:
    """Slope per step of a straight line through equally spaced values, and what is off it."""
    centre = 0.5 * (len(means) - 1)
    middle = math.fsum(means) / len(means)
    square = math.fsum((step - centre) ** 2 for step in range(len(means)))
    slope = math.fsum((step - centre) * value for step, value in enumerate(means)) / square
    return slope, [value - middle - slope * (step - centre) for step, value in enumerate(means)]


def _jump(means: list[float]) -> float:
    """Size of a jump between two levels that explains nearly all there is; 0 for none.

    A steady drift, cut at its middle, leaves a quarter of its sum of squares.
    """
    middle = math.fsum(means) / len(means)
    total = math.fsum((value - middle) ** 2 for value in means)
    for cut in range(2, len(means) - 1):
        first, second = means[:cut], means[cut:]
        low, high = math.fsum(first) / cut, math.fsum(second) / len(second)
        left = math.fsum((value - low) ** 2 for value in first)
        left += math.fsum((value - high) ** 2 for value in second)
        if left < JUMP_LEAVES * total:
            return high - low
    return 0.0
