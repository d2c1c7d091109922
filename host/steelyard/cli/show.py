"""``steelyard show``."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from typing import Any

import click
from steelyard_protocol.decoder import Message
from steelyard_protocol.messages import NO_COUNTS, TICKS_PERIOD_US
from steelyard_protocol.records import AngleSample, ChannelKind, LoadSample, Status

from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import (
    as_plain,
    channel_words,
    flag_names,
    name_of,
    raw_counts,
    write_json,
)
from steelyard.device import Box

EXIT_FAULTS = 3
_USUAL_FLAGS = {"settling", "button_held"}


@dataclass
class _ChannelSeen:
    """What one channel did while it was watched."""

    samples_total: int = 0
    span_us: int = 0
    last_ticks_us: int | None = None
    flags: dict[str, int] = field(default_factory=dict)
    counts: list[int] = field(default_factory=list)

    def add(self, sample: LoadSample | AngleSample) -> None:
        ticks_us = sample.device_ticks_us
        if self.last_ticks_us is not None:
            self.span_us += (ticks_us - self.last_ticks_us) % TICKS_PERIOD_US
        self.last_ticks_us = ticks_us
        self.samples_total += 1
        for name in flag_names(sample.flags):
            self.flags[name] = self.flags.get(name, 0) + 1
        counts = raw_counts(sample)
        if counts != NO_COUNTS:
            self.counts.append(counts)

    @property
    def is_at_fault(self) -> bool:
        """Whether it gave nothing, or flagged what is more than a start or a pressed button."""
        return not self.samples_total or bool(self.flags.keys() - _USUAL_FLAGS)

    @property
    def rate_hz(self) -> float | None:
        """Samples a second by the box's own clock."""
        if self.samples_total < 2 or not self.span_us:
            return None
        return (self.samples_total - 1) / (self.span_us * 1e-6)


@click.command()
@port_option
@click.option(
    "--seconds", "-s", type=click.FloatRange(0.2, 600), default=3.0, show_default=True, metavar="S"
)
@json_option
def show(port: str | None, seconds: float, as_json: bool) -> None:
    """Show one box: who it is, its rates measured against nominal, its flags and counters.

    Exits with 3 when a channel gave no sample or flagged a fault.
    """
    with Box.open(chosen_port(port)) as box:
        seen, status = _watch(box, seconds)
        if as_json:
            write_json(_plain(box, seen, status))
        else:
            for line in _lines(box, seen, status, seconds):
                click.echo(line)
    if any(item.is_at_fault for item in seen.values()):
        sys.exit(EXIT_FAULTS)


def _watch(box: Box, seconds: float) -> tuple[dict[int, _ChannelSeen], Status | None]:
    seen = {channel.channel: _ChannelSeen() for channel in box.channels}
    status: Status | None = None
    box.start_stream()
    clock = box.transport.clock
    end_ns = clock.monotonic_ns() + round(seconds * 1e9)
    while (left_ns := end_ns - clock.monotonic_ns()) > 0:
        for event in box.poll(min(0.1, left_ns * 1e-9)).events:
            record = event.record if isinstance(event, Message) else None
            if isinstance(record, Status):
                status = record
            elif isinstance(record, LoadSample | AngleSample) and record.channel in seen:
                seen[record.channel].add(record)
    box.stop_stream()
    return seen, status


def _lines(
    box: Box, seen: dict[int, _ChannelSeen], status: Status | None, seconds: float
) -> list[str]:
    description, counters = box.description, box.counters
    name = f' "{description.name}"' if description.name else ""
    lines = [
        f"box {description.box_id_text}{name} on {box.transport.description}",
        f"  {description.board}, firmware {description.firmware_version}, protocol "
        f"{description.protocol_version}, layout {description.identity.layout_hash.hex()}",
        *(f"  note: {remark}" for remark in description.remarks),
        f"watched for {seconds:g} s:",
    ]
    for channel in box.channels:
        item = seen[channel.channel]
        lines.append(f"  {channel_words(channel, description.sensor_serial(channel.channel))}")
        nominal_hz = channel.nominal_rate_millihertz / 1000
        if item.rate_hz is None:
            lines.append(f"    NO SAMPLES (nominal {nominal_hz:g}/s): is the sensor connected?")
            continue
        lines.append(f"    {item.rate_hz:.2f} samples/s, nominal {nominal_hz:g}/s; {_range(item)}")
        if item.flags:
            listed = ", ".join(f"{name} {count}" for name, count in item.flags.items())
            lines.append(f"    FLAGS on {item.samples_total} samples: {listed}")
    lines.append(
        f"link: {counters.corrupt_frames_total} corrupt frames, "
        f"{counters.missing_total} samples missing, {counters.retries_total} requests repeated"
    )
    lines += _status_lines(status)
    return lines


def _range(item: _ChannelSeen) -> str:
    if not item.counts:
        return "no reading in any of them"
    mean = sum(item.counts) / len(item.counts)
    return f"counts {min(item.counts)} to {max(item.counts)}, mean {mean:.0f}"


def _status_lines(status: Status | None) -> list[str]:
    if status is None:
        return ["status: NONE came, though one is due every second"]
    totals = {
        name.removesuffix("_total").replace("_", " "): value
        for name, value in status._asdict().items()
        if name.endswith("_total") and isinstance(value, int) and value
    }
    faults = {name: value for name, value in totals.items() if name not in _HARMLESS}
    listed = ", ".join(f"{name} {value}" for name, value in faults.items()) or "none"
    celsius = status.temperature_centicelsius / 100
    dropped = sum(status.dropped_total)
    return [
        f"status: up {status.uptime_ms / 1000:.0f} s, {celsius:.1f} °C, "
        f"{status.heap_free_bytes} bytes free, at most {status.queue_high_water} samples waiting",
        f"faults counted since it started: {listed}; samples dropped: {dropped}",
    ]


_HARMLESS = {"frames sent", "requests"}


def _plain(box: Box, seen: dict[int, _ChannelSeen], status: Status | None) -> dict[str, Any]:
    description = box.description
    return {
        "port": box.transport.description,
        "box_id": description.box_id_text,
        "box_name": description.name,
        "board": description.board,
        "firmware_version": description.firmware_version,
        "protocol_version": description.protocol_version,
        "layout_hash": description.identity.layout_hash.hex(),
        "boot_id": description.identity.boot_id,
        "remarks": list(description.remarks),
        "channels": [
            {
                "channel": channel.channel,
                "kind": name_of(ChannelKind, channel.kind),
                "sensor_serial": description.sensor_serial(channel.channel),
                "gain": channel.gain,
                "nominal_rate_hz": channel.nominal_rate_millihertz / 1000,
                "measured_rate_hz": seen[channel.channel].rate_hz,
                "samples_total": seen[channel.channel].samples_total,
                "flags": seen[channel.channel].flags,
                "counts_minimum": min(seen[channel.channel].counts, default=None),
                "counts_maximum": max(seen[channel.channel].counts, default=None),
            }
            for channel in box.channels
        ],
        "corrupt_frames_total": box.counters.corrupt_frames_total,
        "missing_total": box.counters.missing_total,
        "status": as_plain(status) if status else None,
    }
