"""``steelyard checkup``."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from steelyard.bringup import (
    Checkup,
    CheckupPlan,
    Finding,
    LoadScale,
    PortFacts,
    Request,
    Severity,
    check_computer,
    port_facts,
    run_checkup,
)
from steelyard.cli.boxes import chosen_port, load_channel_calibrations
from steelyard.cli.options import calibrations_option, json_option, port_option
from steelyard.cli.words import StatusLine, write_json
from steelyard.device import Box
from steelyard.errors import PortAccessError, PortBusyError
from steelyard.wiring import Cell

EXIT_FAULTS = 3
_ORDER = {Severity.FAULT: 0, Severity.WARNING: 1, Severity.NOTE: 2}


class _Keyboard:
    """Asks the person at the terminal."""

    def ready(self, request: Request) -> bool:
        """Enter begins, s leaves the step out."""
        click.echo(f"\n{request.words}", err=True)
        answer = click.prompt(
            f"Enter begins ({request.seconds:g} s), s leaves it out",
            default="",
            show_default=False,
            err=True,
        )
        return str(answer).strip().lower() != "s"


@click.command()
@port_option
@click.option(
    "--seconds",
    "-s",
    type=click.FloatRange(2, 120),
    default=10.0,
    show_default=True,
    metavar="S",
    help="How long the machine is watched at rest.",
)
@click.option(
    "--guided/--hands-off",
    default=None,
    help="With or without the steps that need a person. Default: guided on a terminal.",
)
@calibrations_option
@click.option(
    "cells",
    "--cell",
    multiple=True,
    metavar="CHANNEL:N[:MV/V]",
    help="An uncalibrated cell, to state noise in newtons: 0:2000:2 is 2000 N with 2 mV/V.",
)
@click.option(
    "--excitation",
    type=click.FloatRange(2.6, 5.5),
    default=5.0,
    show_default=True,
    metavar="V",
    help="Analogue supply of the amplifiers; the expected noise depends on it.",
)
@json_option
def checkup(
    port: str | None,
    seconds: float,
    guided: bool | None,
    calibration_paths: tuple[Path, ...],
    cells: tuple[str, ...],
    excitation: float,
    as_json: bool,
) -> None:
    """Check a freshly wired box: rates, noise, wiring, polarity, magnet, losses, this computer.

    Keep the machine at rest until asked. Exits with 3 when there is a fault.
    """
    assumed = _assumed_scales(cells, excitation)
    where = chosen_port(port)
    facts = port_facts(where)
    try:
        box = Box.open(where)
    except (PortAccessError, PortBusyError):
        _explain_refusal(facts)
        raise
    with box:
        scales = assumed | _calibrated_scales(box, calibration_paths)
        plan = CheckupPlan(seconds, excitation, scales, facts)
        by_person = sys.stdin.isatty() if guided is None else guided
        line = StatusLine()
        result = run_checkup(
            box,
            plan,
            _Keyboard() if by_person else None,
            lambda step, share: line.show(f"{step}: {share:.0%}"),
        )
        line.clear()
    if as_json:
        write_json(_plain(result))
    else:
        for text in _lines(result):
            click.echo(text)
    if result.has_faults:
        sys.exit(EXIT_FAULTS)


def _explain_refusal(facts: PortFacts) -> None:
    """What this computer has to do with it, when the port cannot even be opened."""
    for item in check_computer(facts):
        click.echo("\n".join(_finding_lines(item)), err=True)


def _assumed_scales(cells: tuple[str, ...], excitation: float) -> dict[int, LoadScale]:
    found = {}
    for text in cells:
        parts = text.split(":")
        try:
            channel, rated = int(parts[0]), float(parts[1])
            output = float(parts[2]) if len(parts) > 2 else 2.0
        except (ValueError, IndexError) as error:
            raise click.BadParameter(
                f"{text!r} is not CHANNEL:N or CHANNEL:N:MV/V, as in 0:2000:2", param_hint="--cell"
            ) from error
        cell = Cell(rated, output, excitation)
        found[channel] = LoadScale(cell.counts_per_newton, f"assumed: {rated:g} N, {output:g} mV/V")
    return found


def _calibrated_scales(box: Box, paths: tuple[Path, ...]) -> dict[int, LoadScale]:
    description = box.description
    serials = [description.sensor_serial(item.channel) for item in box.channels]
    calibrations = load_channel_calibrations(paths, description.box_id_text, box.channels, serials)
    return {
        number: LoadScale(item.model.sensitivity_counts_per_newton, "calibrated", item.binding.gain)
        for number, item in calibrations.items()
    }


def _lines(result: Checkup) -> list[str]:
    lines = [
        f"{item.subject}: {item.name} {item.value:.4g} {item.unit}".rstrip()
        + f" (expected {item.expected})"
        for item in result.measured
    ]
    lines.append("not checked: the supply voltage, which the box does not measure")
    lines += [f"left out: {text}" for text in result.skipped]
    found = sorted(result.findings, key=lambda item: _ORDER[item.severity])
    for item in found:
        lines += ["", *_finding_lines(item)]
    faults = sum(item.severity is Severity.FAULT for item in found)
    warnings = sum(item.severity is Severity.WARNING for item in found)
    verdict = f"{faults} faults, {warnings} warnings" if faults + warnings else "all is well"
    return [*lines, "", f"checkup: {verdict}"]


def _finding_lines(item: Finding) -> list[str]:
    return [
        f"{item.severity.value.upper()} {item.subject}: {item.measured} (expected {item.expected})",
        f"  likely cause: {item.cause}",
        f"  what to do: {item.advice}",
    ]


def _plain(result: Checkup) -> dict[str, object]:
    return {
        "sound": not result.has_faults,
        "findings": [{**vars(item), "severity": item.severity.value} for item in result.findings],
        "measured": [vars(item) for item in result.measured],
        "skipped": result.skipped,
    }
