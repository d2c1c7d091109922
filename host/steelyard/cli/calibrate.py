"""``steelyard calibrate``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from steelyard.calibration import (
    Conditions,
    InService,
    LeverArm,
    plan_run,
)
from steelyard.calibration.replacing import BenchReadings, DataSheet
from steelyard.cli.bench_options import (
    class_option,
    folder_option,
    gravity_option,
    gravity_u_option,
    hanger_option,
    hanger_tolerance_option,
    height_option,
    latitude_option,
    loads_option,
    local_gravity,
    tolerance_option,
    weights_and_loads,
    weights_option,
)
from steelyard.cli.bench_run import Taken, guided, warn_of_unnamed_sensor
from steelyard.cli.boxes import chosen_port
from steelyard.cli.calibration_steps import (
    earlier_and_left,
    finish,
    from_file,
    keep_and_tell,
    stated,
)
from steelyard.cli.options import json_option, port_option


@click.command()
@port_option
@click.option("--channel", type=click.IntRange(0, 7), help="Load channel; without it, the first.")
@click.option(
    "--readings",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Use readings taken elsewhere (CSV or JSON) in place of a guided run.",
)
@click.option(
    "continued",
    "--continue",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Go on with a guided run that broke off: the readings it kept, and the same options.",
)
@loads_option
@weights_option
@class_option
@tolerance_option
@hanger_option
@hanger_tolerance_option
@click.option("--runs", type=click.IntRange(1, 10), default=3, show_default=True)
@click.option(
    "--exercises",
    type=click.IntRange(0, 10),
    default=3,
    show_default=True,
    help="Times the greatest load is put on before the first run.",
)
@click.option(
    "--creep-minutes",
    type=click.FloatRange(5, 120),
    metavar="MIN",
    help="At the end, hold the greatest load so long and record its creep: 5 shows what ISO 376 "
    "asks, 30 what OIML R 60 asks.",
)
@click.option(
    "--arm",
    nargs=2,
    type=float,
    metavar="M U",
    help="Weights hang on the movement arm, M metres from the axis, known to U (standard "
    "uncertainty): calibrates torque.",
)
@click.option(
    "--arm-angle",
    nargs=2,
    type=float,
    default=(0.0, 0.5),
    show_default=True,
    metavar="DEG U",
    help="With --arm: angle of the arm from horizontal, and its standard uncertainty.",
)
@click.option(
    "cell",
    "--cell",
    nargs=2,
    type=click.FloatRange(min=0, min_open=True),
    metavar="MV/V KG",
    help="The load cell's data sheet, for weights hung on the cell itself: rated output and "
    "capacity. A wrong unit then shows at the first calibration too.",
)
@latitude_option
@height_option
@gravity_option
@gravity_u_option
@click.option("--temperature", type=float, help="Degrees Celsius at the bench.")
@click.option("--valid-days", type=click.IntRange(1, 3660), default=365, show_default=True)
@click.option("--operator", default="", help="Who calibrates.")
@click.option("--note", default="", help="Anything worth knowing later.")
@click.option("--degree", type=click.IntRange(1, 3), help="Force the degree of the curve.")
@click.option("--box-id", metavar="ID", help="With --readings and no --port: the box they are of.")
@click.option("--sensor", default="", help="With --box-id: serial number of the sensor.")
@click.option(
    "--no-as-found",
    default="",
    metavar="REASON",
    help="Replace a calibration that these readings cannot be held against, and why.",
)
@folder_option
@json_option
def calibrate(
    port: str | None,
    channel: int | None,
    readings: Path | None,
    continued: Path | None,
    loads: str | None,
    weights_file: Path | None,
    oiml_class: str | None,
    tolerance: float | None,
    hanger_kg: float | None,
    hanger_g: float,
    runs: int,
    exercises: int,
    creep_minutes: float | None,
    arm: tuple[float, float] | None,
    arm_angle: tuple[float, float],
    cell: tuple[float, float] | None,
    latitude: float | None,
    height: float,
    gravity: float | None,
    gravity_u: float,
    temperature: float | None,
    valid_days: int,
    operator: str,
    note: str,
    degree: int | None,
    box_id: str | None,
    sensor: str,
    no_as_found: str,
    folder: Path,
    as_json: bool,
) -> None:
    """Calibrate a channel with known weights: force, or torque with --arm.

    Guided, with --loads: says what to hang, watches until it hangs still, and refuses a
    reading that is not good, with the reason. Or from a file, with --readings.

    If a calibration is in force, the readings are first held against it and written down, as
    found; only then is the new one put in force. A refusal changes nothing.

    An in-house calibration, not an accredited one.
    """
    local = local_gravity(latitude, height, gravity, gravity_u)
    lever = LeverArm(*arm, *arm_angle) if arm is not None else None
    given = {"temperature_celsius": temperature, "operator": operator, "note": note}
    given = {name: value for name, value in given.items() if value not in (None, "")}
    if arm is not None and cell is not None:
        raise click.UsageError("--cell is for weights on the cell itself, --arm for the arm")
    sheet = None if cell is None else DataSheet(*cell)
    if readings is not None and continued is not None:
        raise click.UsageError("either --readings or --continue")
    if readings is not None:
        bench = from_file(readings, port, channel, box_id, sensor, folder)
        conditions = stated(bench.conditions, local, given)
        bench = replace(bench, arm=lever or bench.arm, conditions=conditions)
    else:
        if not loads:
            raise click.UsageError("give --loads for a guided run, or --readings FILE")
        hanger = None if hanger_kg is None else (hanger_kg, hanger_g)
        weights, steps = weights_and_loads(loads, oiml_class, tolerance, weights_file, hanger)
        plan = plan_run(steps, runs, exercises, 60.0 * (creep_minutes or 0.0))
        earlier, plan = earlier_and_left(continued, plan)

        def bench_of(taken: Taken) -> BenchReadings:
            conditions = Conditions(in_service=InService(valid_days=valid_days))
            conditions = stated(conditions, local, given)
            points = (*earlier.points, *taken.points)
            return BenchReadings(taken.binding, points, conditions, weights, lever, taken.creep)

        taken = guided(
            chosen_port(port),
            channel,
            plan,
            of=earlier.binding,
            broke_off=lambda part: keep_and_tell(bench_of(part), folder, broke_off=True),
        )
        bench = bench_of(taken)
        keep_and_tell(bench, folder)
    bench = replace(bench, data_sheet=sheet)
    finish(bench, degree, no_as_found, folder, as_json)
    if readings is not None:  # a guided run says it before it begins
        warn_of_unnamed_sensor(bench.binding)
