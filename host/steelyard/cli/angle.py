"""``steelyard angle``."""

from __future__ import annotations

from pathlib import Path

import click
from steelyard_protocol.decoder import Message
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import AngleSample, ChannelKind, SampleFlags

from steelyard.calibration import AngleCalibration, AngleConditions, AnglePoint, calibrate_angle
from steelyard.calibration.angle_points import mean_counts
from steelyard.calibration.comparison import compare_angle
from steelyard.calibration.history import Act
from steelyard.calibration.register import Register
from steelyard.cli.bench_options import folder_option
from steelyard.cli.bench_run import channel_of, now_text, warn_of_unnamed_sensor
from steelyard.cli.boxes import binding_of, chosen_port
from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import write_json
from steelyard.device import Box
from steelyard.errors import UnstableReadingError

SECONDS = 1.0
FAULTS = SampleFlags.ANGLE_STALE | SampleFlags.BUS_ERROR | SampleFlags.MAGNET_MISSING
STILL_DEGREES = 0.5
"""Five steps of a 12-bit sensor: more than its noise, less than an arm that is being moved."""
MOST_DEGREES = 90.0
"""Beyond, the way round the turn is not certain."""
CAUTION = """\
Keep hands and feet clear of the arm: it can fall. Take weights and clients off the machine."""


@click.command()
@port_option
@click.option("--channel", type=click.IntRange(0, 7), help="Angle channel; without it, the first.")
@click.option(
    "--at",
    "positions",
    required=True,
    metavar="DEG,DEG,...",
    help="Angles to set the arm to, by inclinometer or end stop.",
)
@click.option(
    "--known-to",
    type=click.FloatRange(0, 10),
    default=0.3,
    show_default=True,
    metavar="DEG",
    help="Standard uncertainty of those angles.",
)
@click.option(
    "--cross-talk",
    type=click.FloatRange(0, 10),
    default=0.0,
    metavar="DEG",
    help="Bound of what a full load does to the reading while the arm stands still.",
)
@click.option("--table", is_flag=True, help="Potentiometer: keep a table, not a straight line.")
@click.option("--operator", default="", help="Who calibrates.")
@click.option("--no-as-found", default="", metavar="REASON", help="Why the old one was not read.")
@folder_option
@json_option
def angle(
    port: str | None,
    channel: int | None,
    positions: str,
    known_to: float,
    cross_talk: float,
    table: bool,
    operator: str,
    no_as_found: str,
    folder: Path,
    as_json: bool,
) -> None:
    """Calibrate an angle channel by known positions of the arm.

    Two positions give direction and offset; six over 120° also the eccentricity of the magnet.
    Keep clear of the arm: it can fall.
    """
    wanted = _angles(positions)
    with Box.open(chosen_port(port)) as box:
        described = channel_of(
            box.channels, [ChannelKind.ARM_ANGLE, ChannelKind.ROLLER_ANGLE], channel
        )
        binding = binding_of(box.description, described)
        turn = described.counts_per_turn
        warn_of_unnamed_sensor(binding)
        click.echo(CAUTION)
        box.start_stream()
        points: list[AnglePoint] = []
        try:
            for degrees in wanted:
                before = points[-1] if points else None
                points.append(_read(box, described.channel, turn, degrees, before))
        finally:
            box.stop_stream()
    conditions = AngleConditions(known_to, cross_talk, taken_at=now_text(), operator=operator)
    result = calibrate_angle(
        points, binding, counts_per_turn=turn, conditions=conditions, table=table
    )
    register = Register(folder, binding.box_id, binding.channel)
    old = register.in_force()
    if isinstance(old, AngleCalibration) and old.binding == binding and not no_as_found:
        found = compare_angle(old, points, conditions.taken_at)
        register.add(Act.AS_FOUND, now_text(), operator, old.calibration_id, found)
    elif old is not None:
        no_as_found = no_as_found or "other sensor or firmware before"
    path = register.put_in_force(result, now_text(), operator, no_as_found)
    if as_json:
        write_json({"path": path, "calibration_id": result.calibration_id,
                    "direction": result.direction, "remarks": list(result.remarks)})  # fmt: skip
        return
    for line in result.summary_lines():
        click.echo(line)
    click.echo(f"in force from now on, kept as {path}")


def _angles(text: str) -> list[float]:
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise click.BadParameter(
            f"{text!r}: angles in degrees joined by commas, like -30,0,45"
        ) from None


def _read(
    box: Box, channel: int, counts_per_turn: int, degrees: float, before: AnglePoint | None
) -> AnglePoint:
    """One position; asked for again when the arm moved, so that the others are not lost."""
    asked = f"Set the arm to {degrees:g}°, hold it there, Enter."
    while True:
        try:
            point = _read_once(box, channel, counts_per_turn, degrees, asked)
            _require_moved(before, point, counts_per_turn)
            click.echo(f"    taken: {point.counts_mean:.1f} counts")
            return point
        except UnstableReadingError as error:
            click.echo(f"    Not accepted: {error}")
            asked = f"Once more, {degrees:g}°: hold it there, Enter (Ctrl-C gives up)."


def _read_once(
    box: Box, channel: int, counts_per_turn: int, degrees: float, asked: str
) -> AnglePoint:
    click.prompt(
        asked,
        default="",
        show_default=False,
        prompt_suffix=" ",
    )
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
    mean = mean_counts(counts, counts_per_turn)
    _require_still(counts, mean, counts_per_turn)
    return AnglePoint(degrees, mean)


def _require_still(counts: list[int], mean: float, counts_per_turn: int) -> None:
    """A sensor that turns shows degrees by itself; a potentiometer does not yet."""
    if not counts_per_turn:
        return
    half = counts_per_turn / 2.0
    away = max(abs((value - mean + half) % counts_per_turn - half) for value in counts)
    if away * 360.0 / counts_per_turn > STILL_DEGREES:
        raise UnstableReadingError(
            f"The arm moved by {away * 360.0 / counts_per_turn:.1f}° while it was read.",
            "Hold it still, best against a stop.",
        )


def _require_moved(before: AnglePoint | None, now: AnglePoint, counts_per_turn: int) -> None:
    """A sensor that turns must have turned about as far as it was asked to.

    Raises UnstableReadingError: Enter was pressed too early, or the sensor slips on its shaft.
    """
    if before is None or not counts_per_turn:
        return
    asked = now.angle_degrees - before.angle_degrees
    half = counts_per_turn / 2.0
    moved = (now.counts_mean - before.counts_mean + half) % counts_per_turn - half
    turned = abs(moved) * 360.0 / counts_per_turn
    if not 0.5 * abs(asked) <= turned <= 2.0 * abs(asked) and abs(asked) < MOST_DEGREES:
        raise UnstableReadingError(
            f"The sensor turned by {turned:.1f}° since the position before, where "
            f"{abs(asked):g}° was asked.",
            "Set the arm first; if it stands right, the position before was wrong: begin anew.",
        )
