"""From what was read at the bench to a calibration in force: steps of ``steelyard calibrate``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
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
    LeverArm,
    LoadPoint,
    RunStep,
    TorqueCalibration,
    Weight,
    calibrate_force,
    calibrate_torque,
    read_readings,
)
from steelyard.calibration.comparison import compare
from steelyard.calibration.history import Act
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.calibration.readings_file import ReadingsFile
from steelyard.calibration.readings_writer import save_readings
from steelyard.calibration.register import Register
from steelyard.calibration.run_plan import left_to_do
from steelyard.cli.bench_run import (
    now_text,
    present_binding,
    require_same_channel,
)
from steelyard.cli.boxes import chosen_port
from steelyard.cli.words import write_json
from steelyard.errors import CalibrationError


@dataclass(frozen=True)
class Bench:
    """What was read, and everything needed to make a calibration of it."""

    binding: Binding
    points: tuple[LoadPoint, ...]
    conditions: Conditions
    weights: Mapping[str, Weight] = field(default_factory=dict)
    arm: LeverArm | None = None
    creep: CreepTest | None = None


def keep_readings(bench: Bench, folder: Path, broke_off: bool = False) -> None:
    """An hour of hanging weights must not be lost to a refusal, or to a pulled cable: keep it."""
    stamp = bench.conditions.taken_at.replace(":", "")
    name = f"{bench.binding.box_id}-ch{bench.binding.channel}-{stamp}.readings.json"
    kept = ReadingsFile(
        bench.points, bench.weights, bench.conditions, bench.arm, bench.creep, bench.binding
    )
    path = save_readings(kept, folder / name)
    click.echo(
        f"\n{len(bench.points)} readings kept as {path}\n"
        "calibrate --readings takes them again"
        + (
            "; the same command with --continue and that file goes on after the last complete run"
            if broke_off
            else ""
        ),
        err=True,
    )


def stated(
    conditions: Conditions, local: Gravity | None, given: Mapping[str, object]
) -> Conditions:
    """The conditions with what the command line says about them, and dated."""
    if local is not None:
        conditions = replace(conditions, gravity=local)
    dated = conditions.taken_at or now_text()
    return replace(conditions, taken_at=dated, **given)  # type: ignore[arg-type]


def from_file(
    path: Path,
    port: str | None,
    channel: int | None,
    box_id: str | None,
    sensor: str,
    folder: Path,
) -> Bench:
    """Readings taken elsewhere, and the channel of the box they are of.

    What the file says of the box counts, and must agree with what else is known.
    """
    meant: Binding | None = None
    if box_id is not None:
        meant = Binding(box_id, channel or 0, sensor)
    elif port is not None:
        meant = present_binding(port, channel)
    before = None if meant is None else Register(folder, meant.box_id, meant.channel).in_force()
    with _nothing_changes(before):
        file = read_readings(path)
        if file.binding is not None and meant is not None:
            own = file.binding
            if box_id is not None:  # what was not typed cannot disagree
                meant = replace(meant, sensor_serial=sensor or own.sensor_serial, gain=own.gain)
            require_same_channel(own, meant)
    binding = file.binding or meant or present_binding(chosen_port(None), channel)
    return Bench(binding, file.points, file.conditions, file.weights, file.arm, file.creep)


def earlier_and_left(
    path: Path | None, plan: tuple[RunStep, ...]
) -> tuple[ReadingsFile, tuple[RunStep, ...]]:
    """What a run that broke off leaves to go on with, and the steps left; without a path all."""
    if path is None:
        return ReadingsFile(()), plan
    file = read_readings(path)
    points, left = left_to_do(plan, file.points)
    click.echo(f"{len(points)} readings of {points[-1].run} complete runs count; going on.")
    return replace(file, points=points), left


@contextmanager
def _nothing_changes(before: AnyCalibration | None) -> Iterator[None]:
    """A refusal says which calibration stays in force."""
    try:
        yield
    except CalibrationError as error:
        stays = (
            "Nothing was stored."
            if before is None
            else f"Calibration {before.calibration_id[:12]} stays in force."
        )
        raise type(error)(error.what, f"{error.advice} {stays}") from error


def finish(bench: Bench, degree: int | None, no_as_found: str, folder: Path, as_json: bool) -> None:
    """Hold the readings against the calibration in force, make the new one, put it in force.

    Raises CalibrationError, and then nothing has changed.
    """
    register = Register(folder, bench.binding.box_id, bench.binding.channel)
    before = register.in_force()
    old = None if no_as_found else _readable(before, bench.binding)
    with _nothing_changes(before):
        result = _made(bench, degree, old)
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


def _made(bench: Bench, degree: int | None, old: LoadCalibration | None) -> LoadCalibration:
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
