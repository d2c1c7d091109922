"""``steelyard wiper``."""

from __future__ import annotations

import sys

import click

from steelyard.cli.options import json_option
from steelyard.cli.words import write_json
from steelyard.wiring import PotentiometerIdentification, identify_potentiometer, parse_ohms
from steelyard.wiring.potentiometer_advice import potentiometer_advice

EXIT_NOT_SOUND = 3
PAIRS = (("1", "2"), ("1", "3"), ("2", "3"))


@click.command(context_settings={"ignore_unknown_options": True})  # -5 is a bad reading
@click.argument("ohms", nargs=-1, metavar="[R12 R13 R23 [R12 R13 R23]]")
@json_option
def wiper(ohms: tuple[str, ...], as_json: bool) -> None:
    """Find out which terminal of an unknown potentiometer is the wiper, with an ohmmeter.

    Give the three resistances (4.7k, 10k, open), and better the same three again with the
    shaft turned by half its travel; or none to be asked. Exits with 3 when it is not sound.
    """
    if len(ohms) not in (0, 3, 6):
        raise click.UsageError(f"{len(ohms)} readings given; it takes three, six, or none.")
    readings = [parse_ohms(text) for text in ohms or _asked()]
    found = identify_potentiometer(readings[:3], readings[3:] or None)
    if as_json:
        write_json(_plain(found))
    else:
        for line in potentiometer_advice(found):
            click.echo(line)
    if not found.is_sound:
        sys.exit(EXIT_NOT_SOUND)


def _asked() -> list[str]:
    click.echo("Unplug the potentiometer. Where the meter shows overrange, answer: open.")
    answers = [click.prompt(f"Ohms between {a} and {b}", type=str) for a, b in PAIRS]
    click.echo("Now turn the shaft by about half its travel.")
    return answers + [click.prompt(f"Ohms between {a} and {b}", type=str) for a, b in PAIRS]


def _plain(found: PotentiometerIdentification) -> dict[str, object]:
    return {
        "sound": found.is_sound,
        "explanations": [
            {
                "fault": item.fault.name.lower(),
                "at": item.at,
                "wiper": item.wiper,
                "ends": item.ends,
                "total_ohms": None if item.total_ohms is None else round(item.total_ohms, 1),
                "positions": [round(place, 4) for place in item.positions],
            }
            for item in found.explanations
        ],
        "advice": potentiometer_advice(found),
    }
