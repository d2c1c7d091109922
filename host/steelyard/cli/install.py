"""``steelyard install``."""

from __future__ import annotations

import click

from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import StatusLine, write_json
from steelyard.install import Prompt
from steelyard.install import install as put_firmware
from steelyard.install.installation import board_port, read_crash_report

_NAME_LENGTH = 16


@click.command()
@port_option
@click.option("--name", metavar="NAME", help="What to call the box; 16 plain characters at most.")
@click.option("--crash", is_flag=True, help="Install nothing; show the error that last stopped it.")
@json_option
def install(port: str | None, name: str | None, crash: bool, as_json: bool) -> None:
    """Put the firmware on a board and check that it runs.

    The board needs MicroPython on it. The settings of a box that is installed anew stay.
    """
    if name is not None and not (
        name.isascii() and name.isprintable() and len(name) <= _NAME_LENGTH
    ):
        raise click.BadParameter(
            f"{name!r} has {len(name)} characters; at most {_NAME_LENGTH} plain ASCII ones fit"
        )
    place = board_port(port)
    if crash:
        click.echo(read_crash_report(Prompt(place)) or "No error has stopped this box.")
        return
    status = StatusLine()
    try:
        done = put_firmware(place, name=name, progress=status.show)
    finally:
        status.clear()
    found = done.description
    if as_json:
        write_json(
            {
                "port": done.port,
                "box_id": found.box_id_text,
                "box_name": found.name,
                "firmware_version": found.firmware_version,
                "micropython": done.micropython,
                "files": done.files,
            }
        )
        return
    named = f' "{found.name}"' if found.name else ""
    click.echo(
        f"box {found.box_id_text}{named} on {done.port}: firmware {found.firmware_version},"
        f" {done.files} files, MicroPython {done.micropython}; it answers"
    )
    click.echo("Next: steelyard checkup")
