"""From what was read at the bench to a calibration in force: steps of ``steelyard calibrate``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import click

from steelyard.calibration import Binding, Conditions, Gravity, RunStep, read_readings
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.calibration.readings_file import ReadingsFile
from steelyard.calibration.register import Register
from steelyard.calibration.replacing import (
    BenchReadings,
    keep_readings,
    nothing_changes,
    replace_calibration,
)
from steelyard.calibration.run_plan import left_to_do
from steelyard.cli.bench_run import now_text, present_binding, require_same_channel
from steelyard.cli.boxes import chosen_port
from steelyard.cli.words import write_json


def keep_and_tell(bench: BenchReadings, folder: Path, broke_off: bool = False) -> None:
    """Keep the readings before they are judged, and say where."""
    path = keep_readings(bench, folder)
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
) -> BenchReadings:
    """Readings taken elsewhere, and the channel of the box they are of.

    What the file says of the box counts, and must agree with what else is known.
    """
    meant: Binding | None = None
    if box_id is not None:
        meant = Binding(box_id, channel or 0, sensor)
    elif port is not None:
        meant = present_binding(port, channel)
    before = None if meant is None else Register(folder, meant.box_id, meant.channel).in_force()
    with nothing_changes(before):
        file = read_readings(path)
        if file.binding is not None and meant is not None:
            own = file.binding
            if box_id is not None:  # what was not typed cannot disagree
                meant = replace(meant, sensor_serial=sensor or own.sensor_serial, gain=own.gain)
            require_same_channel(own, meant)
    binding = file.binding or meant or present_binding(chosen_port(None), channel)
    return BenchReadings(binding, file.points, file.conditions, file.weights, file.arm, file.creep)


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


def finish(
    bench: BenchReadings, degree: int | None, no_as_found: str, folder: Path, as_json: bool
) -> None:
    """Put a calibration of these readings in force, and say what came out.

    Raises CalibrationError, and then nothing has changed.
    """
    register = Register(folder, bench.binding.box_id, bench.binding.channel)
    done = replace_calibration(register, bench, now_text(), degree, no_as_found)
    lines: list[str] = []
    if done.found is not None:
        old = done.found.calibration_id
        lines.append(f"as found, with calibration {old[:12]}: {done.found.sentence()}")
    _report(done.calibration, done.path, lines, as_json)


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
