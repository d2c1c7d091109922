"""Counts what happened to one channel's samples, batch by batch, in constant memory."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol.bulk import Table
from steelyard_protocol.messages import NO_COUNTS, SEQUENCE_PERIOD
from steelyard_protocol.records import SampleFlags

from steelyard.recording.rows import channel_rows, channels_of

Int64Array = NDArray[np.int64]

GAPS_LISTED: Final = 10_000
"""Gaps kept one by one for each channel; beyond that only the totals go on."""
_HALF_PERIOD: Final = SEQUENCE_PERIOD // 2
_COUNTS_COLUMN: Final = {"load_sample": "load_counts", "angle_sample": "angle_counts"}


@dataclass(frozen=True)
class SequenceGap:
    """Samples that the box numbered and that are not in the recording."""

    message: str
    boot_id: int
    channel: int
    offset: int
    """Place in the file of the first frame after the gap."""
    previous_offset: int
    """Place in the file of the last frame before the gap."""
    first_missing_sequence: int
    missing: int
    across_link_change: bool
    """The link was opened again in between, so what was on its way is lost with it."""


@dataclass
class BootSpan:
    """First and last sample of one boot: where, when, which number."""

    first_offset: int
    first_ticks_us: int
    last_offset: int
    last_ticks_us: int
    highest_sequence: int
    """Number of the newest sample so far, modulo 2**30."""
    samples_total: int = 0
    steps: int = 0
    """Sequence numbers gone through from the first sample to the newest."""


class _Jumps(NamedTuple):
    """Gaps of one batch as columns of `SequenceGap`, each of shape (n,)."""

    first_missing: Int64Array
    missing: Int64Array
    previous_offsets: Int64Array
    offsets: Int64Array
    across_link: NDArray[np.bool_]


@dataclass
class SampleTally:
    """What is known of one channel's samples so far."""

    message: str
    channel: int
    samples_total: int = 0
    no_reading_total: int = 0
    duplicates_total: int = 0
    out_of_order_total: int = 0
    gaps_total: int = 0
    missing_total: int = 0
    missing_across_links_total: int = 0
    gaps: list[SequenceGap] = field(default_factory=list)
    spans: dict[int, BootSpan] = field(default_factory=dict)
    flag_counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(16, np.int64))

    def add(self, table: Table, openings: Int64Array) -> None:
        """Take in the channel's next samples; ``openings``: offsets where a link opened."""
        columns = table.columns
        self.samples_total += len(table)
        self.no_reading_total += int(
            np.count_nonzero(columns[_COUNTS_COLUMN[self.message]] == NO_COUNTS)
        )
        self._count_flags(columns["flags"])
        for boot_id in dict.fromkeys(columns["boot_id"].tolist()):
            chosen = columns["boot_id"] == boot_id
            self._follow(
                boot_id,
                columns["sequence"][chosen].astype(np.int64),
                columns["device_ticks_us"][chosen],
                table.offsets[chosen],
                openings,
            )

    def flags(self) -> dict[str, int]:
        """Samples with each flag, by its name; only flags that occurred."""
        names = {flag.value.bit_length() - 1: (flag.name or "").lower() for flag in SampleFlags}
        return {
            names.get(bit, f"bit_{bit}"): int(count)
            for bit, count in enumerate(self.flag_counts)
            if count
        }

    def _count_flags(self, flags: NDArray[Any]) -> None:
        occurring = int(np.bitwise_or.reduce(flags))
        for bit in range(occurring.bit_length()):
            self.flag_counts[bit] += np.count_nonzero(flags & np.uint16(1 << bit))

    def _follow(
        self,
        boot_id: int,
        sequence: Int64Array,
        ticks: NDArray[Any],
        offsets: Int64Array,
        openings: Int64Array,
    ) -> None:
        span = self.spans.get(boot_id)
        if span is None:
            place, time_us = int(offsets[0]), int(ticks[0])
            number = int(sequence[0])
            span = BootSpan(place, time_us, place, time_us, number, samples_total=1)
            self.spans[boot_id] = span
            sequence, ticks, offsets = sequence[1:], ticks[1:], offsets[1:]
            if not len(sequence):
                return
        span.samples_total += len(sequence)
        # Numbers relative to the newest one before this batch, so that wraps vanish.
        ahead = _signed_steps(sequence, span.highest_sequence)
        newest = np.maximum.accumulate(np.concatenate([[0], ahead]))
        before, newest_ahead = newest[:-1], int(newest[-1])
        step = ahead - before
        self.duplicates_total += int(np.count_nonzero(step == 0))
        self.out_of_order_total += int(np.count_nonzero(step < 0))
        jumps = np.flatnonzero(step > 1)
        if len(jumps):
            previous = np.concatenate([[span.last_offset], offsets[:-1]])[jumps]
            jumped = _Jumps(
                (span.highest_sequence + before[jumps] + 1) % SEQUENCE_PERIOD,
                step[jumps] - 1,
                previous,
                offsets[jumps],
                np.searchsorted(openings, offsets[jumps]) > np.searchsorted(openings, previous),
            )
            self._add_gaps(boot_id, jumped)
        span.steps += newest_ahead
        span.highest_sequence = (span.highest_sequence + newest_ahead) % SEQUENCE_PERIOD
        newest_at = int(np.argmax(ahead)) if newest_ahead else None
        if newest_at is not None:
            span.last_offset, span.last_ticks_us = int(offsets[newest_at]), int(ticks[newest_at])

    def _add_gaps(self, boot_id: int, jumps: _Jumps) -> None:
        self.gaps_total += len(jumps.missing)
        self.missing_total += int(jumps.missing.sum())
        self.missing_across_links_total += int(jumps.missing[jumps.across_link].sum())
        room = GAPS_LISTED - len(self.gaps)
        for index in range(min(room, len(jumps.missing))):
            self.gaps.append(
                SequenceGap(
                    message=self.message,
                    boot_id=boot_id,
                    channel=self.channel,
                    offset=int(jumps.offsets[index]),
                    previous_offset=int(jumps.previous_offsets[index]),
                    first_missing_sequence=int(jumps.first_missing[index]),
                    missing=int(jumps.missing[index]),
                    across_link_change=bool(jumps.across_link[index]),
                )
            )


def _signed_steps(sequence: Int64Array, start: int) -> Int64Array:
    """How far each number is from ``start``, following wraps from one to the next."""
    before = np.concatenate([[start], sequence[:-1]])
    steps = (sequence - before + _HALF_PERIOD) % SEQUENCE_PERIOD - _HALF_PERIOD
    return np.cumsum(steps)


class SampleTallies:
    """The tallies of every channel that occurs."""

    def __init__(self) -> None:
        self._tallies: dict[tuple[str, int], SampleTally] = {}

    def add(self, message: str, table: Table, openings: Int64Array) -> None:
        """Take in the next samples of one message, all channels mixed."""
        for channel in channels_of(table):
            key = (message, channel)
            tally = self._tallies.setdefault(key, SampleTally(message, channel))
            tally.add(channel_rows(table, channel), openings)

    def all(self) -> list[SampleTally]:
        """Every channel's tally: loads first, then by channel."""
        return [self._tallies[key] for key in sorted(self._tallies, key=_loads_first)]


def _loads_first(key: tuple[str, int]) -> tuple[bool, int]:
    return (key[0] != "load_sample", key[1])
