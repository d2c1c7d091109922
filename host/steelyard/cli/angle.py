"""``steelyard angle``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from steelyard.calibration import AngleConditions, AnglePoint, Binding
from steelyard.calibration.positions_file import PositionsFile, read_positions
from steelyard.calibration.register import Register
from steelyard.calibration.replacing import nothing_changes
from steelyard.calibration.replacing_angle import ReplacedAngle, keep_positions, replace_angle
from steelyard.cli.angle_run import ANGLE_KINDS, TakenPositions, guided_positions
from steelyard.cli.angle_run import counts_per_turn as turn_of
from steelyard.cli.bench_options import folder_option
from steelyard.cli.bench_run import (
    channel_of,
    now_text,
    require_same_channel,
    warn_of_unnamed_sensor,
)
from steelyard.cli.boxes import binding_of, chosen_port
from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import write_json
from steelyard.device import Box
from steelyard.errors import CalibrationError


@click.command()
@port_option
@click.option("--channel", type=click.IntRange(0, 7), help="Angle channel; without it, the first.")
@click.option(
    "--at",
    "positions",
    metavar="DEG,DEG,...",
    help="Angles to set the arm to, by inclinometer or end stop.",
)
@click.option(
    "--readings",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Use positions read elsewhere (CSV or JSON) in place of a guided run.",
)
@click.option(
    "continued",
    "--continue",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Go on with a guided run that broke off: the positions it kept, and the same --at.",
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
@click.option("--valid-days", type=click.IntRange(1, 3660), default=365, show_default=True)
@click.option("--operator", default="", help="Who calibrates.")
@click.option("--box-id", metavar="ID", help="With --readings and no --port: the box they are of.")
@click.option("--sensor", default="", help="With --box-id: serial number of the sensor.")
@click.option(
    "--counts-per-turn",
    type=click.IntRange(0, 1 << 29),
    metavar="N",
    help="With --box-id: 4096 for a 12-bit encoder, 0 for a potentiometer.",
)
@click.option("--no-as-found", default="", metavar="REASON", help="Why the old one was not read.")
@folder_option
@json_option
def angle(
    port: str | None,
    channel: int | None,
    positions: str | None,
    readings: Path | None,
    continued: Path | None,
    known_to: float,
    cross_talk: float,
    table: bool,
    valid_days: int,
    operator: str,
    box_id: str | None,
    sensor: str,
    counts_per_turn: int | None,
    no_as_found: str,
    folder: Path,
    as_json: bool,
) -> None:
    """Calibrate an angle channel by known positions of the arm.

    Two positions give direction and offset; six over 120° also the eccentricity of the magnet.
    Guided, with --at, or from a file, with --readings. Keep clear of the arm: it can fall.
    """
    if readings is not None and continued is not None:
        raise click.UsageError("either --readings or --continue")
    stated = AngleConditions(known_to, cross_talk, valid_days, now_text(), operator)
    if readings is not None:
        typed = None if box_id is None else Binding(box_id, channel or 0, sensor, 1)
        binding, read = _from_file(readings, port, channel, typed, counts_per_turn, folder)
        read = replace(read, conditions=_dated(read, stated))
    else:
        if positions is None:
            raise click.UsageError("give --at for a guided run, or --readings FILE")
        wanted = _angles(positions)
        earlier = PositionsFile(()) if continued is None else read_positions(continued)
        taken = guided_positions(
            chosen_port(port),
            channel,
            _left(wanted, earlier.points),
            earlier=earlier.points,
            of=earlier.binding,
            broke_off=lambda part: _keep(part, stated, folder, broke_off=True),
        )
        binding, read = taken.binding, _keep(taken, stated, folder)
    register = Register(folder, binding.box_id, binding.channel)
    done = replace_angle(register, binding, read, now_text(), table=table, no_as_found=no_as_found)
    _report(done, as_json)
    if readings is not None:  # a guided run says it before it begins
        warn_of_unnamed_sensor(binding)


def _keep(
    taken: TakenPositions, conditions: AngleConditions, folder: Path, broke_off: bool = False
) -> PositionsFile:
    """Keep the positions before they are judged, and say where."""
    read = PositionsFile(taken.points, taken.counts_per_turn, conditions, taken.binding)
    path = keep_positions(read, taken.binding, folder)
    more = "; the same command with --continue and that file asks for the rest" if broke_off else ""
    click.echo(
        f"\n{len(read.points)} positions kept as {path}\nangle --readings takes them again{more}",
        err=True,
    )
    return read


def _dated(read: PositionsFile, stated: AngleConditions) -> AngleConditions:
    """The circumstances as the file says them, dated; as the options do, where it says nothing."""
    own = read.conditions
    if own == AngleConditions():
        return stated
    return replace(
        own, taken_at=own.taken_at or stated.taken_at, operator=stated.operator or own.operator
    )


def _from_file(
    path: Path,
    port: str | None,
    channel: int | None,
    typed: Binding | None,
    counts_per_turn: int | None,
    folder: Path,
) -> tuple[Binding, PositionsFile]:
    """Positions read elsewhere, and the channel of the box they are of."""
    meant, turn = typed, counts_per_turn
    if typed is None and port is not None:
        meant, turn = _present(port, channel)
    before = None if meant is None else Register(folder, meant.box_id, meant.channel).in_force()
    with nothing_changes(before):
        read = read_positions(path)
        own = read.binding
        if own is not None and meant is not None:
            if typed is not None:  # what was not typed cannot disagree
                meant = replace(meant, sensor_serial=typed.sensor_serial or own.sensor_serial,
                                gain=own.gain)  # fmt: skip
            require_same_channel(own, meant)
        binding = own or meant
        if binding is None:
            binding, turn = _present(chosen_port(None), channel)
        turn = read.counts_per_turn if read.counts_per_turn is not None else turn
        if turn is None:
            raise CalibrationError(
                f"{path} does not say what sensor it is of.",
                "Give --counts-per-turn: 4096 for a 12-bit encoder, 0 for a potentiometer.",
            )
    return binding, replace(read, counts_per_turn=turn)


def _present(port: str, channel: int | None) -> tuple[Binding, int]:
    """The angle channel of the box at a port, and its counts in a turn."""
    with Box.open(port) as box:
        described = channel_of(box.channels, ANGLE_KINDS, channel)
        return binding_of(box.description, described), turn_of(described)


def _left(wanted: list[float], points: tuple[AnglePoint, ...]) -> list[float]:
    """The angles still to be set, those read before in the same order."""
    read = [point.angle_degrees for point in points]
    if read != wanted[: len(read)] or len(read) == len(wanted):
        raise CalibrationError(
            f"The positions kept are at {', '.join(f'{at:g}' for at in read)}°, which leaves "
            f"nothing of {', '.join(f'{at:g}' for at in wanted)}° to go on with.",
            "Give the same --at as before; or use what there is with --readings.",
        )
    return wanted[len(read) :]


def _angles(text: str) -> list[float]:
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise click.BadParameter(
            f"{text!r}: angles in degrees joined by commas, like -30,0,45"
        ) from None


def _report(done: ReplacedAngle, as_json: bool) -> None:
    result = done.calibration
    if as_json:
        write_json({"path": done.path, "calibration_id": result.calibration_id,
                    "direction": result.direction, "as_found": done.found,
                    "remarks": list(result.remarks)})  # fmt: skip
        return
    for line in (*result.summary_lines(), done.found_sentence):
        if line:
            click.echo(line)
    click.echo(f"in force from now on, kept as {done.path}")
