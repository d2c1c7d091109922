"""Options and arguments that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

port_option = click.option(
    "--port",
    "-p",
    envvar="STEELYARD_PORT",
    metavar="PORT",
    help="Where the box is; without it, the one box that answers. Also: STEELYARD_PORT.",
)
json_option = click.option(
    "as_json", "--json", is_flag=True, help="Write JSON for another program to read."
)
seconds_option = click.option(
    "--seconds",
    "-s",
    type=click.FloatRange(min=0, min_open=True),
    metavar="S",
    help="How long; without it, until Ctrl-C.",
)
calibrations_option = click.option(
    "calibration_paths",
    "--calibration",
    "-c",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE",
    help="A stored calibration, once for each load channel; or the folder they are kept in.",
)
recording_argument = click.argument(
    "recording", type=click.Path(path_type=Path), metavar="RECORDING"
)
machine_option = click.option(
    "--machine",
    "-m",
    metavar="NAME|FILE",
    help="Profile of the machine: heron, wren or a file; without it, the one in the recording, "
    "or the ready one of the machine it names.",
)
sheet_option = click.option(
    "sheet_path",
    "--sheet",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Session sheet (JSON): crank, plates, what was asked; what no sensor shows.",
)
