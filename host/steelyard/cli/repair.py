"""``steelyard repair``."""

from __future__ import annotations

from pathlib import Path

import click

from steelyard.cli.options import recording_argument
from steelyard.cli.words import progress_bar
from steelyard.recording.repair import repair as repair_recording


@click.command()
@recording_argument
@click.argument("copy", type=click.Path(path_type=Path), metavar="COPY")
def repair(recording: Path, copy: Path) -> None:
    """Copy a recording without its torn end; the original stays as it is."""
    with progress_bar("copying") as progress:
        done = repair_recording(recording, copy, progress)
    click.echo(
        f"{done.copy}: {done.kept_bytes} bytes kept, {done.trimmed_bytes} torn bytes left out"
    )
