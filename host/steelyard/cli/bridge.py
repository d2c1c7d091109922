"""``steelyard bridge``."""

from __future__ import annotations

import math
import sys

import click

from steelyard.cli.options import json_option
from steelyard.cli.words import write_json
from steelyard.wiring import (
    BridgeIdentification,
    Tolerance,
    bridge_advice,
    identify_bridge,
    parse_ohms,
)

EXIT_NOT_SOUND = 3
UNPLUG = """\
Unplug the machine and the cell; no supply, no amplifier connected. Do not touch both probes:
your body is a resistor too. Where the meter shows overrange, answer: open."""


@click.command(context_settings={"ignore_unknown_options": True})  # -5 is a bad reading
@click.argument("ohms", nargs=-1, metavar="[R12 R13 R14 R23 R24 R34]")
@click.option(
    "--wires",
    default="1,2,3,4",
    show_default=True,
    metavar="A,B,C,D",
    help="Names of the four wires, colours for example, in the order of the readings.",
)
@click.option(
    "--tolerance",
    type=click.FloatRange(0.1, 10),
    default=1.0,
    show_default=True,
    metavar="PERCENT",
    help="How far a reading may be off, besides 1 ohm for leads and contacts.",
)
@json_option
def bridge(ohms: tuple[str, ...], wires: str, tolerance: float, as_json: bool) -> None:
    """Find out what the four wires of an unknown load cell are, with an ohmmeter.

    Give the six resistances between the wires (352, 1.05k, open), or none to be asked.
    Exits with 3 when it is not a sound full bridge.
    """
    names = tuple(name.strip() for name in wires.split(","))
    if len(names) != 4:
        raise click.BadParameter("four names, separated by commas", param_hint="--wires")
    if len(ohms) not in (0, 6):
        raise click.UsageError(f"{len(ohms)} readings given; it takes six, or none to be asked.")
    readings = [parse_ohms(text) for text in ohms or _asked(names)]
    found = identify_bridge(readings, names, Tolerance(share=tolerance / 100.0))
    if as_json:
        write_json(_plain(found))
    else:
        for line in bridge_advice(found):
            click.echo(line)
    if not found.is_sound:
        sys.exit(EXIT_NOT_SOUND)


def _asked(names: tuple[str, ...]) -> list[str]:
    click.echo(UNPLUG)
    pairs = [(a, b) for index, a in enumerate(names) for b in names[index + 1 :]]
    return [click.prompt(f"Ohms between {a} and {b}", type=str) for a, b in pairs]


def _plain(found: BridgeIdentification) -> dict[str, object]:
    return {
        "readings": [
            {"wires": pair, "ohms": None if math.isinf(ohms) else ohms, "open": math.isinf(ohms)}
            for pair, ohms in found.readings.items()
        ],
        "sound": found.is_sound,
        "certain": found.is_certain,
        "explanations": [
            {
                "fault": item.fault.name.lower(),
                "at": item.at,
                "diagonals": item.diagonals,
                "excitation": item.excitation,
                "signal": item.signal,
                "arm_ohms": round(item.arm_ohms, 2),
                "nominal_ohms": item.nominal_ohms,
                "series_ohms": round(item.series_ohms, 2),
                "misfit": round(item.misfit, 3),
            }
            for item in found.explanations
        ],
        "advice": bridge_advice(found),
    }
