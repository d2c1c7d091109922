"""``steelyard watch``."""

from __future__ import annotations

import contextlib
import json
import math
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click
from steelyard_protocol.decoder import Message
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import AngleSample, ChannelKind, LoadSample
from steelyard_protocol.soundness import UNSOUND_ANGLE, UNSOUND_LOAD

from steelyard.calibration import Zeroing, format_measurement
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.cli.bench_run import now_text
from steelyard.cli.boxes import chosen_port, load_scales, zeroes
from steelyard.cli.options import calibrations_option, json_option, port_option, seconds_option
from steelyard.cli.words import flag_names, raw_counts
from steelyard.device import Box

STALE_SECONDS = 0.5


@dataclass
class _Interval:
    """One channel's samples since the last line."""

    sound: list[int] = field(default_factory=list)
    flags: int = 0
    samples_total: int = 0

    def add(self, sample: LoadSample | AngleSample) -> None:
        self.samples_total += 1
        self.flags |= sample.flags
        counts = raw_counts(sample)
        unsound = UNSOUND_LOAD if isinstance(sample, LoadSample) else UNSOUND_ANGLE
        if counts != NO_COUNTS and not sample.flags & unsound:
            self.sound.append(counts)

    def mean(self) -> tuple[float, float | None]:
        """Mean of the sound samples and its standard error (None for a single one)."""
        count = len(self.sound)
        mean = sum(self.sound) / count
        if count < 2:
            return mean, None
        variance = sum((value - mean) ** 2 for value in self.sound) / (count - 1)
        return mean, math.sqrt(variance / count)


@dataclass(frozen=True)
class _Scale:
    """A calibration, and the zeroing that counts today."""

    calibration: LoadCalibration
    zero: Zeroing | None


@click.command()
@port_option
@calibrations_option
@seconds_option
@click.option(
    "--every",
    type=click.FloatRange(0.05, 60),
    default=0.5,
    show_default=True,
    metavar="S",
    help="Time between two lines; each shows the mean over it.",
)
@json_option
def watch(
    port: str | None,
    calibration_paths: tuple[Path, ...],
    seconds: float | None,
    every: float,
    as_json: bool,
) -> None:
    """Print calibrated values as they come, each with its uncertainty.

    Channels without a calibration show raw counts. Flagged samples stay out of the mean
    and are named. A zeroing logged with `steelyard zero` in the last 12 hours is applied,
    and said. --json writes one JSON object a line.
    """
    with Box.open(chosen_port(port)) as box:
        description = box.description
        serials = [description.sensor_serial(item.channel) for item in box.channels]
        scales = load_scales(calibration_paths, description.box_id_text, box.channels, serials)
        zeroed = zeroes(calibration_paths, scales, now_text())
        for number, found in sorted(zeroed.items()):
            click.echo(f"channel {number}: {found.text}", err=True)
        shown = {number: _Scale(scales[number], zeroed[number].zero) for number in scales}
        box.start_stream()
        with contextlib.suppress(KeyboardInterrupt):
            _follow(box, shown, seconds, every, as_json)
        box.stop_stream()


def _follow(
    box: Box,
    scales: dict[int, _Scale],
    seconds: float | None,
    every: float,
    as_json: bool,
) -> None:
    clock = box.transport.clock
    begun_ns = clock.monotonic_ns()
    heard_ns = begun_ns
    lines = 0
    seen = {channel.channel: _Interval() for channel in box.channels}
    while True:
        due_ns = begun_ns + round((lines + 1) * every * 1e9)
        while (left_ns := due_ns - clock.monotonic_ns()) > 0:
            for event in box.poll(min(0.05, left_ns * 1e-9)).events:
                record = event.record if isinstance(event, Message) else None
                if isinstance(record, LoadSample | AngleSample) and record.channel in seen:
                    heard_ns = clock.monotonic_ns()
                    seen[record.channel].add(record)
        lines += 1
        live = clock.monotonic_ns() - heard_ns < STALE_SECONDS * 1e9
        row = _row(box, scales, seen, lines * every, live)
        click.echo(json.dumps(row) if as_json else _text(row))
        sys.stdout.flush()
        seen = {channel.channel: _Interval() for channel in box.channels}
        if seconds is not None and lines * every >= seconds - 1e-9:
            return


def _row(
    box: Box,
    scales: dict[int, _Scale],
    seen: dict[int, _Interval],
    elapsed_seconds: float,
    live: bool,
) -> dict[str, Any]:
    return {
        "elapsed_seconds": round(elapsed_seconds, 3),
        "live": live,
        "channels": [
            {
                "channel": channel.channel,
                "kind": ChannelKind(channel.kind).name.lower(),
                **_values(
                    channel.counts_per_turn, seen[channel.channel], scales.get(channel.channel)
                ),
                "flags": flag_names(seen[channel.channel].flags),
                "samples_total": seen[channel.channel].samples_total,
            }
            for channel in box.channels
        ],
    }


def _values(counts_per_turn: int, interval: _Interval, scale: _Scale | None) -> dict[str, Any]:
    if not interval.sound:
        return {"counts": None}
    mean, standard_error = interval.mean()
    values: dict[str, Any] = {"counts": round(mean, 1)}
    if counts_per_turn:
        values["raw_angle_degrees"] = round(mean * 360.0 / counts_per_turn, 2)
    if scale is not None:
        quantity, zero = quantity_of(scale.calibration), scale.zero
        value = float(quantity.values([mean], zero)[0])
        age_days = scale.calibration.age_days(now_text())
        budget = quantity.budget(
            value, zero=zero, counts_standard_error=standard_error, age_days=age_days
        )
        values |= {
            "quantity": quantity.name,
            "unit": quantity.unit,
            "value": value,
            "expanded_uncertainty": budget.expanded_uncertainty,
            "coverage_factor": budget.coverage_factor,
            "extrapolated": bool(quantity.force.force([mean], zero=zero).extrapolated[0]),
            "zeroed_at": None if zero is None else zero.taken_at,
        }
    return values


def _text(row: dict[str, Any]) -> str:
    if not row["live"]:
        return f"{row['elapsed_seconds']:8.2f} s  NOT LIVE: nothing comes from the box"
    return f"{row['elapsed_seconds']:8.2f} s  " + "   ".join(
        _channel_text(item) for item in row["channels"]
    )


def _channel_text(item: dict[str, Any]) -> str:
    faults = f" [{' '.join(item['flags'])}]" if item["flags"] else ""
    if item["counts"] is None:
        text = "no reading"
    elif "value" in item:
        text = format_measurement(
            item["value"], item["expanded_uncertainty"], item["unit"], item["coverage_factor"]
        )
        text += " EXTRAPOLATED" if item["extrapolated"] else ""
    elif "raw_angle_degrees" in item:
        text = f"{item['raw_angle_degrees']:z.1f}° raw"
    else:
        text = f"{item['counts']:.0f} counts, not calibrated"
    return f"{item['channel']} {item['kind'].replace('_', ' ')}: {text}{faults}"
