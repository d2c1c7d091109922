"""``steelyard certify``."""

from __future__ import annotations

from pathlib import Path

import click

from steelyard.calibration import load_calibration


@click.command()
@click.argument("calibration", type=click.Path(path_type=Path), metavar="CALIBRATION")
def certify(calibration: Path) -> None:
    """Print a stored calibration and check that not a byte of it was changed."""
    stored = load_calibration(calibration)
    for line in stored.summary_lines():
        click.echo(line)
    again = stored.refit()
    same = again.calibration_id == stored.calibration_id
    click.echo(
        f"content hash {stored.calibration_id}: untouched; fitting its readings again "
        + ("gives the same to the last digit" if same else "gives OTHER figures (newer version?)")
    )
