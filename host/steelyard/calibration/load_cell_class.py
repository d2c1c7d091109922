"""What OIML R 60-1:2021 allows a load cell, in verification intervals v.

For putting a channel's figures beside a known yardstick: a cell of class C3
has 3000 intervals between its least and greatest load.  The share of the
errors that falls to the cell, and not to the rest of a scale, is p_LC = 0.7.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from steelyard.calibration.figures import Figure
from steelyard.errors import CalibrationError

CELL_SHARE: Final = 0.7
CREEP_SHARE: Final = 0.7
LATE_CREEP_SHARE: Final = 0.15
DEAD_LOAD_RETURN_INTERVALS: Final = 0.5
HAIR: Final = 1e-9
"""Figures that just meet a limit meet it, whatever their last bits are."""

STEPS: Final = (0.5, 1.0, 1.5)
"""Error in v, before p_LC, up to and beyond each of two loads (5.1)."""

LOAD_BREAKS: Final[dict[str, tuple[float, float]]] = {
    "B": (5_000.0, 20_000.0),
    "C": (500.0, 2_000.0),
    "D": (50.0, 200.0),
}


def permissible_error_intervals(cell_class: str, load_intervals: float) -> float:
    """Largest error in v at a load in v: non-linearity, hysteresis and temperature together.

    Raises CalibrationError for a class that is not B, C or D.
    """
    if cell_class not in LOAD_BREAKS:
        raise CalibrationError(
            f"Class {cell_class!r} of load cells is not known here.", "Known are B, C and D."
        )
    first, second = LOAD_BREAKS[cell_class]
    step = (
        STEPS[0] if load_intervals <= first else STEPS[1] if load_intervals <= second else STEPS[2]
    )
    return CELL_SHARE * step


def creep_limit_intervals(cell_class: str, load_intervals: float, *, late: bool = False) -> float:
    """Largest creep in v over 30 minutes, or with ``late`` between the 20th and the 30th."""
    share = LATE_CREEP_SHARE if late else CREEP_SHARE
    return share * permissible_error_intervals(cell_class, load_intervals)


def supported_intervals(
    cell_class: str, error_relative: float, return_relative: float, creep_relative: float = 0.0
) -> int:
    """Most intervals n for which a cell's figures stay within the class.

    Figures as shares of the span at full load: error of curve and loop, zero
    return, creep over 30 minutes.  Rounded down to whole hundreds; 0 when not
    even a hundred are supported.
    """
    for intervals in range(100_000, 0, -100):
        within = (
            error_relative * intervals <= permissible_error_intervals(cell_class, intervals) + HAIR
            and return_relative * intervals <= DEAD_LOAD_RETURN_INTERVALS + HAIR
            and creep_relative * intervals <= creep_limit_intervals(cell_class, intervals) + HAIR
        )
        if within:
            return intervals
    return 0


def class_sentence(figures: Sequence[Figure]) -> str:
    """What the named figures of a channel would make of it as a cell of class C; "" if unknown."""
    shown = {figure.name: figure.percent for figure in figures}
    line, loop = shown.get("linearity"), shown.get("reversibility (hysteresis)")
    back, creep = shown.get("zero return"), shown.get("creep over 30 min")
    if line is None or loop is None or back is None:
        return ""
    found = supported_intervals("C", max(line, loop) / 100.0, back / 100.0, (creep or 0.0) / 100.0)
    without = "temperature" if creep is not None else "temperature and creep over 30 min"
    return (
        f"Errors of this size would be allowed to a load cell of class C with {found} verification "
        f"intervals (OIML R 60-1:2021; {without} not tested). A yardstick, not an approval."
    )
