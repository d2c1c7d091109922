"""Watching a box for a while: every sample sorted by channel, and what went wrong on the way."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final

from steelyard_protocol.decoder import CorruptFrame, Gap, Message
from steelyard_protocol.messages import NO_COUNTS, SEQUENCE_PERIOD, TICKS_PERIOD_US
from steelyard_protocol.records import AngleSample, LoadSample, SampleFlags, Status
from steelyard_protocol.soundness import UNSOUND_LOAD

from steelyard.device import Box, BoxEvent, Reboot
from steelyard.errors import DeviceDisconnectedError

Progress = Callable[[float], None]
"""Called with the share of the time that has passed."""

UNUSABLE: Final = UNSOUND_LOAD | int(SampleFlags.BUS_ERROR | SampleFlags.MAGNET_MISSING)

_BLOCK_US: Final = 1_000_000
_LEAST_BLOCK: Final = 4


@dataclass
class ChannelObservation:
    """One channel's samples.

    ``times_us`` (n) count from the first sample; ``counts`` (n) are raw, `NO_COUNTS` where
    there was no reading; ``flags`` (n).  ``intervals_us`` are those between samples that
    follow one another by sequence number.
    """

    times_us: list[int] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    flags: list[int] = field(default_factory=list)
    intervals_us: list[int] = field(default_factory=list)
    sensor_gains: list[int] = field(default_factory=list)
    sensor_status: int = 0
    invalid_transitions: int = 0
    _conversions: int = 0
    _last: LoadSample | AngleSample | None = None

    def add(self, sample: LoadSample | AngleSample) -> None:
        """Take one sample in.  After a restart of the box its time goes on where it stood."""
        last, self._last = self._last, sample
        step_us = 0
        if last is not None and last.boot_id == sample.boot_id:
            step_us = (sample.device_ticks_us - last.device_ticks_us) % TICKS_PERIOD_US
            ahead = (sample.sequence - last.sequence) % SEQUENCE_PERIOD
            self._conversions += ahead
            if ahead == 1:
                self.intervals_us.append(step_us)
        self.times_us.append(self.times_us[-1] + step_us if self.times_us else 0)
        self.flags.append(sample.flags)
        if isinstance(sample, LoadSample):
            self.counts.append(sample.load_counts)
        else:
            self.counts.append(sample.angle_counts)
            self.sensor_gains.append(sample.sensor_gain)
            self.sensor_status = sample.sensor_status
            self.invalid_transitions = sample.invalid_transitions_total

    @property
    def rate_hz(self) -> float | None:
        """Samples a second by the box's clock, lost ones counted; None from fewer than two."""
        span_us = self.times_us[-1] if self.times_us else 0
        return self._conversions / (span_us * 1e-6) if span_us else None

    def flagged(self, flag: int, without: int = 0) -> int:
        """How many samples carry one of these flags, and none of the others."""
        return sum(1 for flags in self.flags if flags & flag and not flags & without)

    def sound(self) -> list[tuple[int, int]]:
        """(time in us, counts) of the samples that are readings."""
        rows = zip(self.times_us, self.counts, self.flags, strict=True)
        return [(t, c) for t, c, flags in rows if c != NO_COUNTS and not flags & UNUSABLE]

    def noise_counts(self) -> float | None:
        """Standard deviation within blocks of a second, a straight line taken out of each.

        So a slow drift, or somebody breathing in the seat, is not taken for noise.
        """
        squares, freedom = 0.0, 0
        for block in _blocks(self.sound()):
            if len(block) >= _LEAST_BLOCK:
                squares += _squares_about_line(block)
                freedom += len(block) - 2
        return math.sqrt(squares / freedom) if freedom else None

    def mean_counts(self) -> float | None:
        """Mean of the sound samples."""
        values = [counts for _, counts in self.sound()]
        return sum(values) / len(values) if values else None


@dataclass
class Observation:
    """All that came while a box was watched.

    ``silent_seconds``: how long nothing had come when the watch ended.  ``lost``: why the link
    went away, if it did.
    """

    channels: dict[int, ChannelObservation]
    statuses: list[Status] = field(default_factory=list)
    corrupt_frames: int = 0
    missing: int = 0
    reboots: int = 0
    bytes_total: int = 0
    silent_seconds: float = 0.0
    lost: str = ""

    def take(self, events: Iterable[BoxEvent]) -> None:
        """Sort events in."""
        for event in events:
            if isinstance(event, CorruptFrame):
                self.corrupt_frames += 1
            elif isinstance(event, Gap):
                self.missing += event.missing
            elif isinstance(event, Reboot):
                self.reboots += 1
            elif isinstance(event, Message):
                self._take_record(event.record)

    def _take_record(self, record: object) -> None:
        if isinstance(record, Status):
            self.statuses.append(record)
        elif isinstance(record, LoadSample | AngleSample) and record.channel in self.channels:
            self.channels[record.channel].add(record)


def watch(box: Box, seconds: float, progress: Progress | None = None) -> Observation:
    """Take in what comes for so many seconds; a link that is lost ends it early."""
    seen = Observation({channel.channel: ChannelObservation() for channel in box.channels})
    clock = box.transport.clock
    begun_ns = heard_ns = clock.monotonic_ns()
    while (passed := (clock.monotonic_ns() - begun_ns) * 1e-9) < seconds:
        try:
            poll = box.poll(min(0.1, seconds - passed))
        except DeviceDisconnectedError as error:
            seen.lost = str(error)
            break
        heard_ns = clock.monotonic_ns() if poll.raw else heard_ns
        seen.silent_seconds = (clock.monotonic_ns() - heard_ns) * 1e-9
        seen.bytes_total += len(poll.raw)
        seen.take(poll.events)
        if progress is not None:
            progress(passed / seconds)
    return seen


def wait_for_status(box: Box, seconds: float) -> Status | None:
    """The next heartbeat, or None when none comes in time."""
    clock = box.transport.clock
    end_ns = clock.monotonic_ns() + round(seconds * 1e9)
    while clock.monotonic_ns() < end_ns:
        for event in box.poll(0.1).events:
            if isinstance(event, Message) and isinstance(event.record, Status):
                return event.record
    return None


def _blocks(rows: list[tuple[int, int]]) -> Iterable[list[tuple[int, int]]]:
    blocks: dict[int, list[tuple[int, int]]] = {}
    for row in rows:
        blocks.setdefault(row[0] // _BLOCK_US, []).append(row)
    return blocks.values()


def _squares_about_line(rows: list[tuple[int, int]]) -> float:
    """Sum of squares about the least-squares line."""
    n = len(rows)
    mean_t = sum(t for t, _ in rows) / n
    mean_c = sum(c for _, c in rows) / n
    tt = sum((t - mean_t) ** 2 for t, _ in rows)
    tc = sum((t - mean_t) * (c - mean_c) for t, c in rows)
    slope = tc / tt if tt else 0.0
    return sum((c - mean_c - slope * (t - mean_t)) ** 2 for t, c in rows)
