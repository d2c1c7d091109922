"""``steelyard calibrate``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import click

from steelyard.calibration import (
    AngleCalibration,
    AnyCalibration,
    Binding,
    Conditions,
    CreepTest,
    Gravity,
    InService,
    LeverArm,
    LoadPoint,
    TorqueCalibration,
    Weight,
    calibrate_force,
    calibrate_torque,
    plan_run,
    read_readings,
)
from steelyard.calibration.comparison import compare
from steelyard.calibration.history import Act
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.calibration.readings_file import ReadingsFile
from steelyard.calibration.readings_writer import save_readings
from steelyard.calibration.register import Register
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
from steelyard.cli.bench_run import guided, now_text, present_binding
from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import write_json
from steelyard.errors import CalibrationError


@dataclass(frozen=True)
class _Bench:
    """What was read, and everything needed to make a calibration of it."""

    binding: Binding
    points: tuple[LoadPoint, ...]
    conditions: Conditions
    weights: Mapping[str, Weight] = field(default_factory=dict)
    arm: LeverArm | None = None
    creep: CreepTest | None = None


@click.command()
@port_option
@click.option("--channel", type=click.IntRange(0, 7), help="Load channel; without it, the first.")
@click.option(
    "--readings",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Use readings taken elsewhere (CSV or JSON) in place of a guided run.",
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
    loads: str | None,
    weights_file: Path | None,
    oiml_class: str | None,
    tolerance: float | None,
    hanger_kg: float | None,
    hanger_g: float,
    runs: int,
    exercises: int,
    arm: tuple[float, float] | None,
    arm_angle: tuple[float, float],
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
    if readings is not None:
        bench = _from_file(readings, port, channel, box_id, sensor)
    else:
        if not loads:
            raise click.UsageError("give --loads for a guided run, or --readings FILE")
        hanger = None if hanger_kg is None else (hanger_kg, hanger_g)
        weights, steps = weights_and_loads(loads, oiml_class, tolerance, weights_file, hanger)
        binding, points = guided(chosen_port(port), channel, plan_run(steps, runs, exercises))
        conditions = Conditions(in_service=InService(valid_days=valid_days))
        bench = _Bench(binding, points, conditions, weights)
    stated = {"temperature_celsius": temperature, "operator": operator, "note": note}
    bench = replace(
        bench,
        arm=lever or bench.arm,
        conditions=_stated(bench.conditions, local, {k: v for k, v in stated.items() if v}),
    )
    if readings is None:
        _keep_readings(bench, folder)
    _finish(bench, degree, no_as_found, folder, as_json)


def _keep_readings(bench: _Bench, folder: Path) -> None:
    """An hour of hanging weights must not be lost to a refusal: keep it before judging it."""
    stamp = bench.conditions.taken_at.replace(":", "")
    name = f"{bench.binding.box_id}-ch{bench.binding.channel}-{stamp}.readings.json"
    kept = ReadingsFile(bench.points, bench.weights, bench.conditions, bench.arm)
    path = save_readings(kept, folder / name)
    click.echo(f"readings kept as {path}; --readings takes them again", err=True)


def _stated(conditions: Conditions, local: Gravity | None, given: dict[str, object]) -> Conditions:
    """The conditions with what the command line says about them, and dated."""
    if local is not None:
        conditions = replace(conditions, gravity=local)
    dated = conditions.taken_at or now_text()
    return replace(conditions, taken_at=dated, **given)  # type: ignore[arg-type]


def _from_file(
    path: Path, port: str | None, channel: int | None, box_id: str | None, sensor: str
) -> _Bench:
    file = read_readings(path)
    if box_id is not None:
        binding = Binding(box_id, channel or 0, sensor)
    else:
        binding = present_binding(chosen_port(port), channel)
    return _Bench(binding, file.points, file.conditions, file.weights, file.arm, file.creep)


def _finish(
    bench: _Bench, degree: int | None, no_as_found: str, folder: Path, as_json: bool
) -> None:
    register = Register(folder, bench.binding.box_id, bench.binding.channel)
    before = register.in_force()
    old = None if no_as_found else _readable(before, bench.binding)
    try:
        result = _made(bench, degree, old)
    except CalibrationError as error:
        if before is None:
            raise
        stays = f"Calibration {before.calibration_id[:12]} stays in force."
        raise type(error)(error.what, f"{error.advice} {stays}") from error
    lines: list[str] = []
    who = bench.conditions.operator
    if old is not None and not isinstance(result, type(old)):
        no_as_found = no_as_found or "the quantity changed between force and torque"
    elif old is not None:
        found = compare(old, bench.points, bench.conditions, bench.weights)
        register.add(Act.AS_FOUND, now_text(), who, old.calibration_id, found.as_plain())
        lines.append(f"as found, with calibration {old.calibration_id[:12]}: {found.sentence()}")
    elif before is not None and not no_as_found:
        no_as_found = f"other sensor before: {before.binding.sensor_serial or 'unnamed'}"
    path = register.put_in_force(result, now_text(), who, no_as_found)
    _report(result, path, lines, as_json)


def _readable(before: AnyCalibration | None, binding: Binding) -> LoadCalibration | None:
    """The calibration in force, where it is of the very sensor that was read now."""
    if before is None or isinstance(before, AngleCalibration):
        return None
    own = before.binding
    same = (own.sensor_serial, own.gain) == (binding.sensor_serial, binding.gain)
    return before if same else None


def _made(bench: _Bench, degree: int | None, old: LoadCalibration | None) -> LoadCalibration:
    """The new calibration; the old one says about what to expect."""
    expected = None
    of_torque = bench.arm is not None
    if old is not None and isinstance(old, TorqueCalibration) is of_torque:
        expected = quantity_of(old).sensitivity
    if bench.arm is not None:
        return calibrate_torque(
            bench.points,
            bench.arm,
            bench.conditions,
            bench.binding,
            weights=bench.weights,
            degree=degree,
            expected_counts_per_newton_metre=expected,
            creep=bench.creep,
        )
    return calibrate_force(
        bench.points,
        bench.conditions,
        bench.binding,
        weights=bench.weights,
        degree=degree,
        expected_counts_per_newton=expected,
        creep=bench.creep,
    )


def _report(result: LoadCalibration, path: Path, lines: list[str], as_json: bool) -> None:
    quantity = quantity_of(result)
    if as_json:
        per = "newton_metre" if quantity.arm else "newton"
        write_json(
            {
                "path": path,
                "calibration_id": result.calibration_id,
                "quantity": quantity.name,
                f"sensitivity_counts_per_{per}": quantity.sensitivity,
                "zero_counts": quantity.force.model.zero_counts,
                "degree": quantity.force.model.curve.degree,
                "due_on": result.due_on,
                "as_found": lines,
                "remarks": list(result.remarks),
            }
        )
        return
    for line in (*result.summary_lines(), *lines):
        click.echo(line)
    click.echo(f"in force from now on, kept as {path}")
