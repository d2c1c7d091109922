"""The list of commands.  Nothing else is imported until one of them runs."""

from __future__ import annotations

import importlib
from typing import Final

import click

from steelyard import __version__

_COMMANDS: Final = {
    "find": "List the boxes that answer.",
    "show": "Show one box: who it is, measured rates, faults.",
    "install": "Put the firmware on a board.",
    "checkup": "Check a freshly wired box and say what is wrong.",
    "setting": "Read or change a setting of a box.",
    "keep": "Keep calibrations in the box: list, put in, take out.",
    "record": "Record a box for a time or until Ctrl-C.",
    "validate": "Say whether a recording is sound.",
    "repair": "Copy a recording without its torn end.",
    "calibrate": "Calibrate a channel with known weights: force, or torque on the arm.",
    "angle": "Calibrate an angle channel by known positions.",
    "daycheck": "Check a calibration with one weight before a session day.",
    "zero": "Take a bounded, logged zero.",
    "history": "Show what happened to the calibrations, and compare them.",
    "certify": "Check a stored calibration for changes; write its certificate.",
    "analyse": "Balance, strength and repetitions of a recorded session.",
    "report": "Write a session report for client or clinician.",
    "recompute": "Make every figure of a report again from its recording.",
    "client": "Clients by code: set-ups, limits, consent, trend, export, deletion.",
    "visit": "Log visits, list and bill them.",
    "records": "Copy, check and put back the practice's records.",
    "watch": "Print calibrated values as they come.",
    "overview": "Draw a whole recording at a glance.",
    "screen": "Open the screens: client display and operator pages.",
    "publish": "Offer the stream to other programs.",
    "catalogue": "Recordings of many boxes and sites, searchable.",
    "export": "Write a recording as CSV, Parquet or MCAP.",
    "bridge": "Find out what the wires of an unknown load cell are.",
    "wiper": "Find out which terminal of a potentiometer is the wiper.",
    "choose": "Choose a load cell for a machine.",
    "demo": "Calibrate, record and draw on a virtual machine.",
    "simulate": "Serve a virtual box as a serial port.",
}


class _LazyGroup(click.Group):
    """Loads a command's module when the command is called, not for the list of all."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module = importlib.import_module(f"steelyard.cli.{cmd_name}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, package_name="steelyard", prog_name="steelyard")
def steelyard() -> None:
    """Measurements for seated back-extension and neck-extension machines.

    In-house measuring, not a medical device. Screening clients and deciding on
    maximal efforts is for licensed professionals.

    A port is a serial port's name, socket://HOST:PORT, replay:FILE or a virtual box
    (sim:heron). Without --port the one box that answers is taken.
    """
