"""``steelyard calibrate``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import click
from steelyard_protocol.decoder import Message
from steelyard_protocol.records import ChannelDescription, ChannelKind, LoadSample, SampleFlags

from steelyard.calibration import (
    Binding,
    Conditions,
    ForceCalibration,
    Gravity,
    GuidedRun,
    LoadPoint,
    Phase,
    RunStep,
    StabilityLimits,
    Weight,
    calibrate_force,
    plan_run,
    read_readings,
    save_calibration,
)
from steelyard.cli.boxes import binding_of, chosen_port
from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import StatusLine, write_json
from steelyard.device import Box
from steelyard.errors import CalibrationError, DeviceNotFoundError

CAUTION = """\
Hung weights fall. Keep feet and hands clear, use a safe hanger, stay below the cell's
rated load, and keep clients away from the machine while weights hang on it."""


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
    "--loads",
    metavar="KG,KG,...",
    help="Masses to hang, in kg, rising; sums by +: 5,10,10+5,20,20+5.",
)
@click.option(
    "--class",
    "oiml_class",
    metavar="CLASS",
    help="OIML R 111 class of the weights (E1 to M3).",
)
@click.option(
    "--tolerance",
    type=click.FloatRange(min=0, min_open=True),
    metavar="G",
    help="How far each weight may be off, in grams, where they have no class.",
)
@click.option("--runs", type=click.IntRange(1, 10), default=2, show_default=True)
@click.option(
    "--exercises",
    type=click.IntRange(0, 10),
    default=3,
    show_default=True,
    help="Times the greatest load is put on before the first run.",
)
@click.option("--latitude", type=click.FloatRange(-90, 90), help="Degrees, for local gravity.")
@click.option("--height", type=float, default=0.0, help="Metres above the sea, with --latitude.")
@click.option("--gravity", type=click.FloatRange(9.7, 9.9), help="Local gravity in m/s², if known.")
@click.option("--gravity-u", type=click.FloatRange(min=0), default=1e-5, help="Its uncertainty.")
@click.option("--operator", default="", help="Who calibrates.")
@click.option("--degree", type=click.IntRange(1, 3), help="Force the degree of the curve.")
@click.option("--box-id", metavar="ID", help="With --readings and no --port: the box they are of.")
@click.option("--sensor", default="", help="With --box-id: serial number of the sensor.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    default=Path("calibrations"),
    show_default=True,
    help="Where the calibration is kept.",
)
@json_option
def calibrate(
    port: str | None,
    channel: int | None,
    readings: Path | None,
    loads: str | None,
    oiml_class: str | None,
    tolerance: float | None,
    runs: int,
    exercises: int,
    latitude: float | None,
    height: float,
    gravity: float | None,
    gravity_u: float,
    operator: str,
    degree: int | None,
    box_id: str | None,
    sensor: str,
    folder: Path,
    as_json: bool,
) -> None:
    """Calibrate a force channel with known weights.

    Guided, with --loads: says what to hang, watches until it hangs still, and refuses a
    reading that is not good, with the reason. Or from a file, with --readings.

    An in-house calibration, not an accredited one.
    """
    local = _gravity(latitude, height, gravity, gravity_u)
    if readings is not None:
        file = read_readings(readings)
        binding = _binding_without_run(port, channel, box_id, sensor)
        conditions = file.conditions
        if local is not None:
            conditions = replace(conditions, gravity=local)
        result = calibrate_force(
            file.points, conditions, binding, weights=file.weights, degree=degree
        )
    else:
        if not loads:
            raise click.UsageError("give --loads for a guided run, or --readings FILE")
        weights, steps = _weights(loads, oiml_class, tolerance)
        conditions = Conditions(
            gravity=local or Gravity.standard(),
            taken_at=datetime.now(UTC).isoformat(timespec="seconds"),
            operator=operator,
        )
        binding, points = _guided(chosen_port(port), channel, plan_run(steps, runs, exercises))
        result = calibrate_force(points, conditions, binding, weights=weights, degree=degree)
    _finish(result, folder, as_json)


def _finish(result: ForceCalibration, folder: Path, as_json: bool) -> None:
    path = save_calibration(result, folder)
    if as_json:
        write_json(
            {
                "path": path,
                "calibration_id": result.calibration_id,
                "sensitivity_counts_per_newton": result.model.sensitivity_counts_per_newton,
                "zero_counts": result.model.zero_counts,
                "degree": result.model.curve.degree,
                "remarks": list(result.remarks),
            }
        )
        return
    for line in result.summary_lines():
        click.echo(line)
    click.echo(f"kept as {path}")


def _gravity(
    latitude: float | None, height: float, value: float | None, uncertainty: float
) -> Gravity | None:
    if value is not None and latitude is not None:
        raise click.UsageError("give either --gravity or --latitude, not both")
    if value is not None:
        return Gravity(value, uncertainty, "entered")
    if latitude is not None:
        return Gravity.at(latitude, height)
    return None


Loads = list[tuple[float, tuple[str, ...]]]


def _weights(
    loads: str, oiml_class: str | None, tolerance: float | None
) -> tuple[dict[str, Weight], Loads]:
    """The weights by name, and which of them make up each load.

    A load is a mass or a sum of masses; a mass that occurs twice in a sum is two weights.
    """
    if (oiml_class is None) == (tolerance is None):
        raise click.UsageError(
            "say how well the weights are known: --class M1 (or another), or --tolerance in grams"
        )
    weights: dict[str, Weight] = {}
    result: Loads = []
    for text in loads.split(","):
        names: list[str] = []
        for piece in text.split("+"):
            mass = _mass(piece, loads)
            name = f"{mass:g} kg"
            if name in names:
                name += f" no. {sum(other.startswith(name) for other in names) + 1}"
            names.append(name)
            weights[name] = Weight(
                name, mass, oiml_class=oiml_class or "", mpe_kg=(tolerance or 0.0) / 1000.0
            )
        result.append((sum(weights[name].nominal_kg for name in names), tuple(names)))
    return weights, result


def _mass(text: str, loads: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise click.BadParameter(
            f"{text!r} in {loads!r}: masses in kg joined by commas, sums by +, like 5,10,10+5,20"
        ) from None


def _load_channel(channels: Sequence[ChannelDescription], wanted: int | None) -> ChannelDescription:
    found = [item for item in channels if item.kind == ChannelKind.LOAD]
    for item in found:
        if wanted is None or item.channel == wanted:
            return item
    numbers = ", ".join(str(item.channel) for item in found) or "none"
    raise DeviceNotFoundError(
        f"The box has no load channel {'' if wanted is None else wanted} (it has: {numbers}).",
        "Choose one of those with --channel.",
    )


def _binding_without_run(
    port: str | None, channel: int | None, box_id: str | None, sensor: str
) -> Binding:
    if box_id is not None:
        return Binding(box_id, channel or 0, sensor)
    with Box.open(chosen_port(port)) as box:
        return binding_of(box.description, _load_channel(box.channels, channel))


def _guided(
    port: str,
    channel: int | None,
    plan: Sequence[RunStep],
) -> tuple[Binding, tuple[LoadPoint, ...]]:
    """Lead the operator through the run; Ctrl-C leaves everything as it was."""
    with Box.open(port) as box:
        described = _load_channel(box.channels, channel)
        binding = binding_of(box.description, described)
        click.echo(CAUTION)
        click.echo(f"{len(plan)} steps. Enter: the load is as asked; b: back one step; q: give up.")
        run = GuidedRun(plan, StabilityLimits())
        box.start_stream()
        try:
            _lead(box, run, described.channel)
        finally:
            box.stop_stream()
    return binding, run.points()


def _lead(box: Box, run: GuidedRun, channel: int) -> None:
    while not run.finished:
        progress = run.progress
        answer = click.prompt(
            f"[{progress.steps_done + 1}/{progress.steps_total}] {progress.text}",
            default="",
            show_default=False,
            prompt_suffix=" ",
        )
        if answer.strip().lower() == "q":
            raise CalibrationError(
                f"Given up after {progress.steps_done} of {progress.steps_total} steps.",
                "Nothing was changed; an older calibration stays in force.",
            )
        if answer.strip().lower() == "b":
            run.back()
            continue
        box.poll(0.0)  # what came while the operator was busy
        run.loaded()
        _measure(box, run, channel)


def _measure(box: Box, run: GuidedRun, channel: int) -> None:
    line = StatusLine()
    step = run.current
    while run.progress.phase is Phase.MEASURING:
        for event in box.poll(0.1).events:
            record = event.record if isinstance(event, Message) else None
            if (
                isinstance(record, LoadSample)
                and record.channel == channel
                # The converter says itself that these come too early after a start.
                and not record.flags & SampleFlags.SETTLING
            ):
                run.feed(record.load_counts, record.device_ticks_us, record.flags)
        verdict = run.progress.verdict
        if verdict is not None:
            line.show(f"    {verdict.counts_mean:.0f} counts, {verdict.reason or 'still'}")
    line.clear()
    if run.progress.phase is not Phase.REFUSED and step is not None:
        verdict = run.progress.verdict
        if verdict is not None:
            click.echo(
                f"    taken: {verdict.counts_mean:.1f} counts "
                f"(standard error {verdict.counts_standard_error:.1f})"
            )
