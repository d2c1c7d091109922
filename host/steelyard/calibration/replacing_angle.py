"""From positions of the arm to an angle calibration in force, the old one read as found before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.calibration.angle_fit import calibrate_angle
from steelyard.calibration.comparison import compare_angle
from steelyard.calibration.history import Act
from steelyard.calibration.positions_file import PositionsFile, save_positions
from steelyard.calibration.readings import Binding
from steelyard.calibration.register import Register
from steelyard.calibration.replacing import nothing_changes


@dataclass(frozen=True)
class ReplacedAngle:
    """The calibration now in force, its file, and what the old one said if it was read."""

    calibration: AngleCalibration
    path: Path
    found: dict[str, Any] | None
    """As ``compare_angle`` gives it."""

    @property
    def found_sentence(self) -> str:
        """What the old one said, in words; empty where it was not read."""
        if self.found is None:
            return ""
        places = self.found["positions"]
        worst = max(places, key=lambda at: abs(at["error_degrees"]))
        inside = sum(
            abs(at["error_degrees"]) <= at["expanded_uncertainty_degrees"] for at in places
        )
        return (
            f"as found, with calibration {self.found['calibration_id'][:12]}: {inside} of "
            f"{len(places)} positions within the uncertainty, largest error "
            f"{worst['error_degrees']:+.2f}° at {worst['known_degrees']:g}°"
        )


def keep_positions(read: PositionsFile, binding: Binding, folder: Path) -> Path:
    """Keep what was read before it is judged, under a name that says of which channel and when."""
    stamp = read.conditions.taken_at.replace(":", "")
    name = f"{binding.box_id}-ch{binding.channel}-{stamp}.positions.json"
    return save_positions(replace(read, binding=binding), folder / name)


def replace_angle(
    register: Register,
    binding: Binding,
    read: PositionsFile,
    now: str,
    *,
    table: bool = False,
    no_as_found: str = "",
) -> ReplacedAngle:
    """Hold the positions against the calibration in force, make the new one, put it in force.

    ``now`` is ISO 8601; a file that does not say so is of a potentiometer.
    Raises CalibrationError, and then nothing has changed.
    """
    old = register.in_force()
    conditions = read.conditions
    with nothing_changes(old):
        made = calibrate_angle(
            read.points,
            binding,
            counts_per_turn=read.counts_per_turn or 0,
            conditions=conditions,
            table=table,
        )
    found: dict[str, Any] | None = None
    who = conditions.operator
    if isinstance(old, AngleCalibration) and old.binding == binding and not no_as_found:
        found = compare_angle(old, read.points, conditions.taken_at)
        register.add(Act.AS_FOUND, now, who, old.calibration_id, found)
    elif old is not None:
        no_as_found = no_as_found or "other sensor or firmware before"
    return ReplacedAngle(made, register.put_in_force(made, now, who, no_as_found), found)
