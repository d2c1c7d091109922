"""``steelyard validate``."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from steelyard.cli.options import json_option, recording_argument
from steelyard.cli.words import progress_bar
from steelyard.recording.validator import validate as validate_recording

EXIT_NOT_GOOD = 3


@click.command()
@recording_argument
@click.option("--strict", is_flag=True, help="Let remarks count as damage.")
@json_option
def validate(recording: Path, strict: bool, as_json: bool) -> None:
    """Say whether a recording is sound: frames, gaps, restarts, rates, clock.

    Reads every byte and checks every CRC; changes nothing. Exits with 3 when the
    recording is damaged.
    """
    with progress_bar("validating", quiet=as_json) as progress:
        report = validate_recording(recording, progress)
    click.echo(report.to_json() if as_json else "\n".join(report.lines()))
    if not report.passes(strict):
        sys.exit(EXIT_NOT_GOOD)
