"""What can be noted of a machine's set-up: ours to name, the practice's to fill in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from steelyard.errors import EntryError
from steelyard.store.entry_checks import note, number

LONGEST_MARK: Final = 40


@dataclass(frozen=True)
class Setting:
    """One thing to set.  ``unit`` empty: a mark on the machine, as text."""

    meaning: str
    unit: str = ""
    least: float = 0.0
    most: float = 0.0


SETTINGS: Final[Mapping[str, Setting]] = {
    "seat_height": Setting("height of the seat, by its mark"),
    "seat_depth": Setting("where the seat stands front to back, by its mark"),
    "foot_board": Setting("foot board, by its mark"),
    "knee_pad": Setting("pad over the knees or thighs, by its mark"),
    "pelvis_pad": Setting("pad behind the pelvis, by its mark"),
    "shoulder_pad": Setting("pads that hold the shoulders (neck machine), by their mark"),
    "arm_pad": Setting("pad of the movement arm against back or head, by its mark"),
    "restraint": Setting("how tight the restraint is, by its mark"),
    "arm_stop_extended": Setting("mechanical stop at the extended end", "°", -180.0, 180.0),
    "arm_stop_flexed": Setting("mechanical stop at the flexed end", "°", -180.0, 180.0),
    "counterweight_turns": Setting("where the counterweight's crank stands", "turns", -500, 500),
    "plates_kg": Setting("plates of the last set", "kg", 0.0, 1000.0),
}


def checked_values(values: Mapping[str, str | float]) -> dict[str, str | float]:
    """The same, numbers as numbers; raises EntryError naming what does not fit."""
    return {key: _checked(key, value) for key, value in values.items() if value != ""}


def _checked(key: str, value: str | float) -> str | float:
    setting = SETTINGS.get(key)
    if setting is None:
        raise EntryError(f"“{key[:40]}” is no setting.", f"There are: {', '.join(SETTINGS)}.")
    if not setting.unit:
        return note(str(value).strip(), key, LONGEST_MARK)
    try:
        amount = float(value)
    except ValueError as error:
        raise EntryError(
            f"The {key} “{str(value)[:40]}” is no number.", f"It is given in {setting.unit}."
        ) from error
    found = number(amount, setting.least, setting.most, key)
    return 0.0 if found is None else found
