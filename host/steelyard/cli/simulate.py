"""``steelyard simulate``."""

from __future__ import annotations

import time
from pathlib import Path

import click

from steelyard.cli.options import seconds_option
from steelyard.simulator.pty import PtyBox


@click.command()
@click.argument("box", default="heron", metavar="[BOX]")
@click.option(
    "--path", type=click.Path(path_type=Path), help="Name of the port; without it, a new one."
)
@seconds_option
def simulate(box: str, path: Path | None, seconds: float | None) -> None:
    """Serve a virtual box as a serial port, for this and other programs.

    BOX is what follows sim:, e.g. 'wren?client=rushed&seed=3'. Linux and macOS only;
    elsewhere use --port sim:heron inside Steelyard.
    """
    with PtyBox(box, path) as served:
        click.echo(f"virtual box on {served.path} (Ctrl-C ends it)")
        end = None if seconds is None else time.monotonic() + seconds
        try:
            while end is None or time.monotonic() < end:
                time.sleep(0.1)
        except KeyboardInterrupt:
            click.echo("ended")
