"""``steelyard choose``."""

from __future__ import annotations

import click

from steelyard.cli.options import json_option
from steelyard.cli.words import write_json
from steelyard.wiring import Demand, SensorChoice, choose_sensor
from steelyard.wiring.sensor_choice import SHOCK_FACTOR, STANDARD_GRAVITY

POSITIVE = click.FloatRange(min=0, min_open=True)


@click.command()
@click.option("--torque", type=POSITIVE, required=True, metavar="NM", help="Greatest torque, N·m.")
@click.option(
    "--arm", type=POSITIVE, required=True, metavar="M", help="Axis to cell, at right angles, in m."
)
@click.option(
    "--shock",
    type=click.FloatRange(1, 5),
    default=SHOCK_FACTOR,
    show_default=True,
    help="How far a jerk exceeds the greatest steady torque.",
)
@click.option("--rated", type=POSITIVE, metavar="N", help="Judge a cell of this rated force.")
@click.option(
    "--output",
    type=POSITIVE,
    default=2.0,
    show_default=True,
    metavar="MV/V",
    help="At rated force.",
)
@click.option(
    "--excitation",
    type=POSITIVE,
    default=5.0,
    show_default=True,
    metavar="V",
    help="Analogue supply of the amplifier: 5, or about 3.2 when all runs on 3.3 V.",
)
@click.option("--gain", type=click.Choice(["128", "64"]), default="128", show_default=True)
@click.option("--rate", type=click.Choice(["80", "10"]), default="80", show_default=True)
@json_option
def choose(
    torque: float,
    arm: float,
    shock: float,
    rated: float | None,
    output: float,
    excitation: float,
    gain: str,
    rate: str,
    as_json: bool,
) -> None:
    """Choose a load cell for a machine, or judge one: capacity, counts, noise, margins."""
    choice = choose_sensor(
        Demand(torque, arm, shock),
        rated_newtons=rated,
        output_mv_per_v=output,
        excitation_volts=excitation,
        gain=int(gain),
        rate_sps=int(rate),
    )
    if as_json:
        write_json(_plain(choice))
        return
    for line in _lines(choice):
        click.echo(line)


def _lines(choice: SensorChoice) -> list[str]:
    demand, cell = choice.demand, choice.cell
    kilograms = cell.rated_newtons / STANDARD_GRAVITY
    noise_newtons = cell.noise_counts / cell.counts_per_newton
    return [
        f"greatest torque    {demand.torque_newton_metres:g} N·m at {demand.arm_metres:g} m:"
        f" {demand.force_newtons:.0f} N, with shocks (x {demand.shock_factor:g})"
        f" {demand.needed_newtons:.0f} N",
        f"cell               {cell.rated_newtons:g} N ({kilograms:.0f} kg),"
        f" {cell.output_mv_per_v:g} mV/V, excitation {cell.excitation_volts:g} V,"
        f" gain {cell.gain}, {cell.rate_sps} conversions a second",
        f"counts             {cell.counts_per_newton:.1f} per N,"
        f" {choice.counts_per_newton_metre:.0f} per N·m",
        f"one count          {choice.step_newton_metres:.2g} N·m (not what it resolves: see noise)",
        f"noise              {noise_newtons:.3f} N, {choice.noise_newton_metres:.4f} N·m RMS for"
        f" one conversion; {choice.second_noise_newton_metres:.4f} N·m for the mean of one second"
        " (HX711 data sheet; cable and machine add theirs)",
        f"converter full at  {cell.saturation_newtons:.0f} N,"
        f" {choice.saturation_newton_metres:.0f} N·m",
        *(f"WARNING: {text}" for text in choice.warnings),
    ]


def _plain(choice: SensorChoice) -> dict[str, object]:
    return {
        "force_newtons": choice.demand.force_newtons,
        "needed_newtons": choice.demand.needed_newtons,
        "rated_newtons": choice.cell.rated_newtons,
        "counts_per_newton": choice.cell.counts_per_newton,
        "counts_per_newton_metre": choice.counts_per_newton_metre,
        "step_newton_metres": choice.step_newton_metres,
        "noise_newton_metres": choice.noise_newton_metres,
        "second_noise_newton_metres": choice.second_noise_newton_metres,
        "saturation_newton_metres": choice.saturation_newton_metres,
        "warnings": choice.warnings,
    }
