"""``steelyard history``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from steelyard.calibration import AngleCalibration
from steelyard.calibration.comparison import Change, changes
from steelyard.calibration.history import Act, Entry
from steelyard.calibration.register import Register, find_registers
from steelyard.cli.options import json_option
from steelyard.cli.words import write_json
from steelyard.errors import CalibrationFileError


@click.command()
@click.argument(
    "folder", type=click.Path(path_type=Path), default=Path("calibrations"), metavar="[FOLDER]"
)
@json_option
def history(folder: Path, as_json: bool) -> None:
    """What happened to the calibrations in a folder, and how they compare.

    Every entry carries the hash of the one before: one changed or left out is refused.
    """
    registers = list(find_registers(folder))
    if not registers:
        raise CalibrationFileError(
            f"{folder} holds no history of a calibration.", "Calibrate first, or name the folder."
        )
    if as_json:
        write_json([_plain(register) for register in registers])
        return
    for register in registers:
        for line in _lines(register):
            click.echo(line)


def _changes(register: Register) -> list[Change]:
    """Load calibrations only: an angle has no sensitivity to compare."""
    found = register.calibrations()
    return changes([item for item in found if not isinstance(item, AngleCalibration)])


def _plain(register: Register) -> dict[str, object]:
    found = register.history()
    return {
        "box_id": register.box_id,
        "channel": register.channel,
        "in_force": found.in_force,
        "head": found.head,
        "entries": [
            {"act": e.act.value, "at": e.at, "by": e.by, "calibration_id": e.calibration_id,
             "content": e.content}
            for e in found.entries
        ],
        "changes": [vars(change) for change in _changes(register)],
    }  # fmt: skip


def _lines(register: Register) -> list[str]:
    found = register.history()
    made = [f"box {register.box_id}, channel {register.channel}"]
    made += [f"  {_entry_line(entry)}" for entry in found.entries]
    made += [f"  {_change_line(change)}" for change in _changes(register)]
    return [*made, f"  chain whole, last entry {found.head}"]


def _entry_line(entry: Entry) -> str:
    by = f" by {entry.by}" if entry.by else ""
    start = f"{entry.at}  {entry.calibration_id[:12]}  {entry.act.value}{by}"
    content = entry.content
    if entry.act in (Act.AS_FOUND, Act.AS_LEFT):
        return f"{start}: {_found(content)}"
    if entry.act is Act.CHECKED:
        load = content.get("load", {})
        return f"{start}: error {load.get('error', 0.0):+.3f} {content.get('unit', '')}"
    if entry.act is Act.ZEROED:
        return f"{start}: {content.get('shift_counts', 0.0):+.1f} counts"
    reason = content.get("no_as_found", "")
    return f"{start}{'; no as found: ' + reason if reason else ''}"


def _found(content: dict[str, Any]) -> str:
    """What an as-found or as-left entry says: of loads or of positions of an arm."""
    loads, positions = content.get("loads", []), content.get("positions", [])
    if positions:
        worst = max((at.get("error_degrees", 0.0) for at in positions), key=abs)
        return f"{len(positions)} positions, largest error {worst:+.2f}°"
    if not loads:
        return "no readings"
    worst = max((load.get("error", 0.0) for load in loads), key=abs)
    return f"{len(loads)} readings, largest error {worst:+.3f} {content.get('unit', '')}"


def _change_line(change: Change) -> str:
    start = (
        f"calibration {change.calibration_id[:12]} of {change.taken_at or 'no date'}: "
        f"{change.sensitivity:.5g} counts/{change.unit}"
    )
    if change.sensitivity_change_relative is None or change.normalised_change is None:
        return start
    within = "within" if change.normalised_change <= 1.0 else "BEYOND"
    return (
        f"{start}, {100.0 * change.sensitivity_change_relative:+.3f} % ({within} the uncertainty "
        f"of both), zero {change.zero_change_counts:+.0f} counts"
    )
