"""Known positions read at the machine: asking for each, and watching that the arm stands still."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import click
from steelyard_protocol.decoder import Message
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import (
    AngleSample,
    ChannelDescription,
    ChannelKind,
    SampleFlags,
    SensorKind,
)

from steelyard.calibration import AnglePoint, Binding
from steelyard.calibration.angle_points import mean_counts
from steelyard.cli.bench_run import channel_of, require_same_channel, warn_of_unnamed_sensor
from steelyard.cli.boxes import binding_of
from steelyard.device import Box
from steelyard.device.encoder_zero import start_remark
from steelyard.errors import CalibrationError, UnstableReadingError

SECONDS: Final = 1.0
FAULTS: Final = SampleFlags.ANGLE_STALE | SampleFlags.BUS_ERROR | SampleFlags.MAGNET_MISSING
STILL_DEGREES: Final = 0.5
"""Five steps of a 12-bit sensor: more than its noise, less than an arm that is being moved."""
MOST_DEGREES: Final = 90.0
"""Beyond, the way round the turn is not certain."""
CAUTION: Final = """\
Keep hands and feet clear of the arm: it can fall. Take weights and clients off the machine."""

ANGLE_KINDS: Final = (ChannelKind.ARM_ANGLE, ChannelKind.ROLLER_ANGLE)


@dataclass(frozen=True)
class TakenPositions:
    """What was read, and of which channel."""

    binding: Binding
    counts_per_turn: int
    points: tuple[AnglePoint, ...]


def counts_per_turn(described: ChannelDescription) -> int:
    """Counts in a turn of a sensor that turns with the shaft; 0 for a potentiometer.

    What the box says of a potentiometer is its track by the data sheet: the scale
    is for the calibration to find.
    """
    return 0 if described.sensor == SensorKind.POTENTIOMETER else described.counts_per_turn


def guided_positions(
    port: str,
    channel: int | None,
    wanted: Sequence[float],
    *,
    earlier: Sequence[AnglePoint] = (),
    of: Binding | None = None,
    broke_off: Callable[[TakenPositions], object],
) -> TakenPositions:
    """Ask for each angle in turn and read it; gives the ``earlier`` ones too.

    ``of``: the channel that the earlier positions are of; another one is refused.
    ``broke_off`` gets what was read when it ends early, by Ctrl-C or a pulled cable.
    """
    points = list(earlier)
    with Box.open(port) as box:
        described = channel_of(box.channels, ANGLE_KINDS, channel)
        binding = binding_of(box.description, described)
        if of is not None:
            require_same_channel(of, binding)
        warn_of_unnamed_sensor(binding)
        if remark := start_remark(described):
            click.echo(f"WARNING: {remark}", err=True)
        click.echo(CAUTION)
        box.start_stream()
        try:
            for degrees in wanted:
                points.append(_read(box, described, degrees, points[-1] if points else None))
        except BaseException:
            if len(points) > len(earlier):
                broke_off(TakenPositions(binding, counts_per_turn(described), tuple(points)))
            raise
        finally:
            box.stop_stream()
    return TakenPositions(binding, counts_per_turn(described), tuple(points))


def _read(
    box: Box, described: ChannelDescription, degrees: float, before: AnglePoint | None
) -> AnglePoint:
    """One position; asked for again when the arm moved, so that the others are not lost."""
    what = "roller" if described.kind == ChannelKind.ROLLER_ANGLE else "arm"
    asked = f"Set the {what} to {degrees:g}°, hold it there, Enter."
    while True:
        answer = click.prompt(asked, default="", show_default=False, prompt_suffix=" ")
        if answer.strip().lower() == "q":
            raise CalibrationError(
                f"Given up before {degrees:g}°.",
                "Nothing was changed; an older calibration stays in force.",
            )
        try:
            counts = _counts(box, described.channel)
            point = AnglePoint(degrees, mean_counts(counts, counts_per_turn(described)))
            _require_still(counts, point.counts_mean, described)
            _require_moved(before, point, described)
            click.echo(f"    taken: {point.counts_mean:.1f} counts")
            return point
        except UnstableReadingError as error:
            click.echo(f"    Not accepted: {error}")
            asked = f"Once more, {degrees:g}°: hold it there, Enter (q gives up)."


def _counts(box: Box, channel: int) -> list[int]:
    """What comes in a second from now."""
    box.poll(0.0)  # what came while the operator was busy
    clock = box.transport.clock
    end_ns = clock.monotonic_ns() + round(SECONDS * 1e9)
    counts: list[int] = []
    while clock.monotonic_ns() < end_ns:
        for event in box.poll(0.1).events:
            record = event.record if isinstance(event, Message) else None
            if (
                isinstance(record, AngleSample)
                and record.channel == channel
                and record.angle_counts != NO_COUNTS
                and not record.flags & FAULTS
            ):
                counts.append(record.angle_counts)
    return counts


def _require_still(counts: list[int], mean: float, described: ChannelDescription) -> None:
    """Raise UnstableReadingError when the arm moved within the second.

    A sensor that turns shows it in every sample.  A potentiometer is noisy, and
    what its counts are worth is not known yet: halves of the second are compared.
    """
    turn = counts_per_turn(described)
    if turn:
        away = max(abs((value - mean + turn / 2.0) % turn - turn / 2.0) for value in counts)
        moved = away * 360.0 / turn
    else:
        half = len(counts) // 2
        first, last = mean_counts(counts[: half or 1], 0), mean_counts(counts[half:], 0)
        moved = abs(last - first) * _track_degrees_per_count(described)
    if moved > STILL_DEGREES:
        raise UnstableReadingError(
            f"It moved by {moved:.1f}° while it was read.", "Hold it still, best at a stop."
        )


def _require_moved(
    before: AnglePoint | None, now: AnglePoint, described: ChannelDescription
) -> None:
    """Raise UnstableReadingError when the sensor did not turn about as far as it was asked to.

    Enter was pressed too early, or the sensor slips on its shaft.  Of a potentiometer
    it is known only that it must have turned at all.
    """
    if before is None:
        return
    turn = counts_per_turn(described)
    asked = abs(now.angle_degrees - before.angle_degrees)
    moved = now.counts_mean - before.counts_mean
    if turn:
        turned = abs((moved + turn / 2.0) % turn - turn / 2.0) * 360.0 / turn
        wrong = asked < MOST_DEGREES and not 0.5 * asked <= turned <= 2.0 * asked
    else:
        turned = abs(moved) * _track_degrees_per_count(described)
        wrong = turned < min(STILL_DEGREES, 0.1 * asked)
    if wrong:
        raise UnstableReadingError(
            f"The sensor turned by {turned:.1f}° since the position before, where "
            f"{asked:g}° was asked.",
            "Set the arm first; if it stands right, the position before was wrong: begin anew.",
        )


def _track_degrees_per_count(described: ChannelDescription) -> float:
    """What a potentiometer's counts are about worth, by the track that the box states."""
    return 360.0 / max(1, described.counts_per_turn)
