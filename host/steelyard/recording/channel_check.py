"""Holds one channel's samples against what the box said about them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from steelyard_protocol import codec, records
from steelyard_protocol.bulk import Table
from steelyard_protocol.messages import CHANNEL_LIMIT
from steelyard_protocol.records import ChannelKind

from steelyard.recording.rows import name_of
from steelyard.recording.sample_tally import SampleTally
from steelyard.recording.validation_report import ChannelReport


class BoxDrops(NamedTuple):
    """Samples of one channel that the box says it dropped, all boots together."""

    within: int
    """Between the first and the last status frame of each boot."""
    settled: int
    """Of those, up to the last status frame but one: their gaps must be here by now."""
    before: int
    """Before the first status frame: their gaps may be here or not."""


def channel_report(
    tally: SampleTally,
    description: records.ChannelDescription | None,
    status: Table,
    spans_us: dict[tuple[str, int, int], tuple[int, int]],
) -> ChannelReport:
    """Put together what is known of one channel.

    ``spans_us``: unwrapped times of the first and last sample by message,
    channel and boot [us].
    """
    drops = box_drops(status, tally.channel)
    return ChannelReport(
        message=tally.message,
        channel=tally.channel,
        kind=_kind(tally, description),
        sensor_serial=codec.plain_text(description.sensor_serial) if description else "",
        samples_total=tally.samples_total,
        no_reading_total=tally.no_reading_total,
        flags=tally.flags(),
        duplicates_total=tally.duplicates_total,
        out_of_order_total=tally.out_of_order_total,
        gaps_total=tally.gaps_total,
        missing_total=tally.missing_total,
        missing_across_links_total=tally.missing_across_links_total,
        dropped_by_box_total=drops.within if drops else 0,
        counters_agree=drops.settled <= tally.missing_total if drops else None,
        nominal_rate_hz=description.nominal_rate_millihertz / 1000 if description else None,
        measured_rate_hz=_measured_rate_hz(tally, spans_us),
    )


def box_drops(status: Table, channel: int) -> BoxDrops | None:
    """Read the box's own drop counter of one channel; ``None`` without status frames.

    Why `settled`: the counter is sent at once, the samples behind the dropped
    ones still wait in the box's queue, so the newest drops may have no gap yet.
    """
    if not len(status) or channel >= CHANNEL_LIMIT:
        return None
    within = settled = before = 0
    for boot_id in np.unique(status.columns["boot_id"]).tolist():
        counter = status.columns["dropped_total"][status.columns["boot_id"] == boot_id, channel]
        first, last = int(counter[0]), int(counter[-1])
        within += last - first
        settled += int(counter[max(0, len(counter) - 2)]) - first
        before += first
    return BoxDrops(within, settled, before)


def _kind(tally: SampleTally, description: records.ChannelDescription | None) -> str:
    if description is None:
        return tally.message.removesuffix("_sample")
    return name_of(ChannelKind, description.kind)


def _measured_rate_hz(
    tally: SampleTally, spans_us: dict[tuple[str, int, int], tuple[int, int]]
) -> float | None:
    """Samples numbered in a second of the box's clock, those missing included."""
    steps = elapsed_us = 0
    for boot_id, span in tally.spans.items():
        first, last = spans_us[tally.message, tally.channel, boot_id]
        if span.steps > 0 and last > first:
            steps += span.steps
            elapsed_us += last - first
    return steps / elapsed_us * 1e6 if elapsed_us else None
