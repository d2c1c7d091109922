"""``steelyard find``."""

from __future__ import annotations

import click

from steelyard.cli.options import json_option
from steelyard.cli.words import write_json
from steelyard.device.discovery import Probe, discover


@click.command()
@click.argument("ports", nargs=-1, metavar="[PORT]...")
@click.option("--everywhere", is_flag=True, help="Ask on every serial port, likely or not.")
@json_option
def find(ports: tuple[str, ...], everywhere: bool, as_json: bool) -> None:
    """List the boxes that answer, on the ports given or on those with a likely board.

    A box is known by its id, never by the name of its port. Asking does not disturb
    a running stream.
    """
    probes = discover(list(ports) or None, everywhere=everywhere)
    if as_json:
        write_json([_plain(probe) for probe in probes])
        return
    if not probes:
        click.echo("No serial port with a likely board. --everywhere asks on all of them.")
    for probe in probes:
        click.echo(_line(probe))


def _line(probe: Probe) -> str:
    found = probe.description
    if found is None:
        return f"{probe.port}: {probe.error}"
    name = f' "{found.name}"' if found.name else ""
    return (
        f"{probe.port}: box {found.box_id_text}{name}, {found.board}, "
        f"firmware {found.firmware_version}, {len(found.channels)} channels"
    )


def _plain(probe: Probe) -> dict[str, object]:
    found = probe.description
    if found is None:
        return {"port": probe.port, "error": str(probe.error)}
    return {
        "port": probe.port,
        "box_id": found.box_id_text,
        "box_name": found.name,
        "board": found.board,
        "firmware_version": found.firmware_version,
        "protocol_version": found.protocol_version,
        "channels": len(found.channels),
    }
