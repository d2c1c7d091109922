"""``steelyard zero``."""

from __future__ import annotations

from pathlib import Path

import click

from steelyard.calibration import AngleCalibration, Direction, RunStep
from steelyard.calibration.history import Act
from steelyard.calibration.register import Register
from steelyard.cli.bench_options import folder_option
from steelyard.cli.bench_run import guided, now_text
from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import write_json
from steelyard.errors import CalibrationError


@click.command()
@port_option
@click.option("--channel", type=click.IntRange(0, 7), help="Load channel; without it, the first.")
@click.option("--operator", default="", help="Who zeroes.")
@folder_option
@json_option
def zero(port: str | None, channel: int | None, operator: str, folder: Path, as_json: bool) -> None:
    """Take a zero without load; it is bounded and logged, and changes no calibration.

    `watch` and `export` apply it for 12 hours. `analyse`, `publish` and the screens keep to the
    calibration's own zero, whose wander from day to day is in their ±: a recording then gives the
    same figures without this log.
    """
    step = RunStep(1, Direction.UP, 0.0, (), "Take all load off and let go.")
    read = guided(chosen_port(port), channel, [step])
    binding, reading = read.binding, read.points[0]
    register = Register(folder, binding.box_id, binding.channel)
    calibration = register.in_force()
    if calibration is None or isinstance(calibration, AngleCalibration):
        raise CalibrationError(
            f"No load calibration of box {binding.box_id}, channel {binding.channel}, is in "
            f"force in {folder}.",
            "Calibrate first, or name the folder with --folder.",
        )
    calibration.binding.require(binding)
    taken = calibration.take_zero(reading.counts_mean, reading.counts_standard_error, now_text())
    register.add(
        Act.ZEROED, taken.taken_at, operator, calibration.calibration_id, dict(vars(taken))
    )
    if as_json:
        write_json(dict(vars(taken)))
    else:
        click.echo(taken.log_line())
