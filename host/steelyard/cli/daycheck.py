"""``steelyard daycheck``."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import click

from steelyard.calibration import (
    AngleCalibration,
    Binding,
    Conditions,
    LoadPoint,
    Weight,
    plan_run,
    read_readings,
)
from steelyard.calibration.check_log import log_check
from steelyard.calibration.comparison import compare
from steelyard.calibration.daily_check import CheckState
from steelyard.calibration.history import Act
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.calibration.readings_file import ReadingsFile
from steelyard.calibration.register import Register, one_register
from steelyard.calibration.replacing import BenchReadings, keep_readings
from steelyard.cli.bench_options import (
    class_option,
    folder_option,
    loads_option,
    tolerance_option,
    weights_and_loads,
    weights_option,
)
from steelyard.cli.bench_run import (
    Taken,
    guided,
    now_text,
    present_binding,
    require_same_channel,
)
from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import write_json
from steelyard.errors import CalibrationError

EXIT_OUT = 3


@click.command()
@port_option
@click.option("--channel", type=click.IntRange(0, 7), help="Load channel; without it, the first.")
@loads_option
@weights_option
@class_option
@tolerance_option
@click.option(
    "--readings",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Use readings taken elsewhere (CSV or JSON).",
)
@click.option("--box-id", metavar="ID", help="With --readings and no --port: the box they are of.")
@click.option("--as-found", is_flag=True, help="Several loads: what it says before a change.")
@click.option("--as-left", is_flag=True, help="Several loads: what it says after a change.")
@click.option("--operator", default="", help="Who checks.")
@folder_option
@json_option
def daycheck(
    port: str | None,
    channel: int | None,
    loads: str | None,
    weights_file: Path | None,
    oiml_class: str | None,
    tolerance: float | None,
    readings: Path | None,
    box_id: str | None,
    as_found: bool,
    as_left: bool,
    operator: str,
    folder: Path,
    as_json: bool,
) -> None:
    """Check the calibration in force with one known weight, before a session day.

    Reads without load, with the weight, and without load again; writes the error down and
    looks at the control chart of all days. Exits with 3 when the error is beyond its
    uncertainty. With --as-found or --as-left several loads are read, and no chart is kept.
    """
    if as_found and as_left:
        raise click.UsageError("either --as-found or --as-left")
    if readings is not None:
        register, calibration, read = _from_file(readings, port, channel, box_id, folder)
    else:
        if not loads:
            raise click.UsageError("give --loads, like --loads 20 --class M1")
        weights, steps = weights_and_loads(loads, oiml_class, tolerance, weights_file)
        several = as_found or as_left
        if len(steps) > 1 and not several:
            raise click.UsageError("one load for a daily check; several with --as-found, --as-left")

        def keep(part: Taken) -> None:
            _keep(part, weights, operator, folder)

        plan = plan_run(steps, 1, 0)
        taken = guided(chosen_port(port), channel, plan, broke_off=keep if several else None)
        if several:
            keep(taken)
        register = Register(folder, taken.binding.box_id, taken.binding.channel)
        calibration = _in_force(register, taken.binding)
        read = ReadingsFile(taken.points, weights)
    points, known = read.points, dict(read.weights)
    conditions = replace(
        quantity_of(calibration).force.conditions,
        taken_at=now_text(),
        operator=operator or read.conditions.operator,
    )
    if as_found or as_left:
        read_at = read.conditions.taken_at or conditions.taken_at
        conditions = replace(conditions, taken_at=read_at)
        act = Act.AS_FOUND if as_found else Act.AS_LEFT
        _compare(register, calibration, act, points, conditions, known, as_json)
    else:
        _check(register, calibration, points, conditions, known, as_json)


def _keep(part: Taken, weights: dict[str, Weight], operator: str, folder: Path) -> None:
    """Several loads took a while: keep them before they are judged, and say where."""
    conditions = Conditions(taken_at=now_text(), operator=operator)
    path = keep_readings(BenchReadings(part.binding, part.points, conditions, weights), folder)
    click.echo(
        f"\n{len(part.points)} readings kept as {path}\ndaycheck --readings takes them again",
        err=True,
    )


def _from_file(
    path: Path, port: str | None, channel: int | None, box_id: str | None, folder: Path
) -> tuple[Register, LoadCalibration, ReadingsFile]:
    """Readings taken elsewhere, and the calibration in force of the channel they are of.

    What the file says of the box counts; else the box that answers, or the one typed.
    """
    file = read_readings(path)
    binding = file.binding
    if binding is None and box_id is None:
        binding = present_binding(chosen_port(port), channel)
    if binding is None:
        register = one_register(folder, box_id, channel)
        return register, _in_force(register, None), file
    if box_id not in (None, binding.box_id) or channel not in (None, binding.channel):
        require_same_channel(binding, replace(binding, box_id=box_id or binding.box_id,
                             channel=binding.channel if channel is None else channel))  # fmt: skip
    register = Register(folder, binding.box_id, binding.channel)
    return register, _in_force(register, binding), file


def _in_force(register: Register, present: Binding | None) -> LoadCalibration:
    calibration = register.in_force()
    if calibration is None or isinstance(calibration, AngleCalibration):
        raise CalibrationError(
            f"No load calibration of box {register.box_id}, channel {register.channel}, is in "
            f"force in {register.folder}.",
            "Calibrate first, or name the folder with --folder.",
        )
    if present is not None:
        calibration.binding.require(present)
    return calibration


def _compare(
    register: Register,
    calibration: LoadCalibration,
    act: Act,
    points: tuple[LoadPoint, ...],
    conditions: Conditions,
    weights: dict[str, Weight],
    as_json: bool,
) -> None:
    found = compare(calibration, points, conditions, weights)
    who = conditions.operator
    register.add(act, now_text(), who, calibration.calibration_id, found.as_plain())
    if as_json:
        write_json(found.as_plain())
    else:
        click.echo(f"{act.value}, calibration {calibration.calibration_id[:12]}:")
        for load in found.loads:
            click.echo(
                f"  {load.direction:4} {load.mass_kg:g} kg: {load.indicated:.2f} for "
                f"{load.reference:.2f} {found.unit}, error {load.error:+.3f} ± "
                f"{load.expanded_uncertainty:.3f}{'' if load.agrees else '  BEYOND'}"
            )
        click.echo(found.sentence())
    if not found.agrees:
        sys.exit(EXIT_OUT)


def _check(
    register: Register,
    calibration: LoadCalibration,
    points: tuple[LoadPoint, ...],
    conditions: Conditions,
    weights: dict[str, Weight],
    as_json: bool,
) -> None:
    judged = log_check(register, calibration, points, conditions, weights)
    check, state, reasons = judged.check, judged.state, judged.reasons
    due = calibration.due_on
    overdue = due is not None and check.taken_at[:10] > due.isoformat()
    if as_json:
        write_json(
            {
                **check.as_plain(),
                "state": state.name.lower(),
                "reasons": list(reasons),
                "checks": len(judged.series),
                "due_on": due,
                "overdue": overdue,
            }
        )
    else:
        load = check.load
        click.echo(
            f"{load.mass_kg:g} kg: {load.indicated:.2f} for {load.reference:.2f} {check.unit}, "
            f"error {load.error:+.3f} ± {load.expanded_uncertainty:.3f} {check.unit} (95 %)"
        )
        click.echo(f"check {len(judged.series)} on this calibration: {state.value}")
        for reason in reasons:
            click.echo(f"  {reason}")
        if judged.charts.individuals is None:
            click.echo("  (a control chart needs ten checks; until then only the error is judged)")
        if overdue:
            click.echo(f"  OVERDUE: to be calibrated again by {due}")
    if state is CheckState.OUT:
        sys.exit(EXIT_OUT)
