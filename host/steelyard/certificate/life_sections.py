"""Sections about the life of a calibration: as found, as left, checks since."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from steelyard.calibration.comparison import ComparedLoad, Comparison, compare
from steelyard.calibration.daily_check import (
    DailyCheck,
    DriftCharts,
    drift_charts,
    judge,
    least_check_sd,
)
from steelyard.calibration.history import Act, History
from steelyard.calibration.quantity import Quantity
from steelyard.certificate.plots import draw_chart
from steelyard.errors import CalibrationFileError
from steelyard.printed.document import Section, Table
from steelyard.printed.drawing import picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def found_and_left(quantity: Quantity, history: History) -> Section:
    """What the machine said before this calibration was put in force, and what it says now."""
    paragraphs, tables = [], []
    found = _found_before(quantity, history)
    if isinstance(found, Comparison):
        paragraphs.append(
            f"As found, with calibration {found.calibration_id[:12]}, {found.taken_at}: "
            f"{found.sentence()}. Zero had moved by {found.zero_shift_counts:+.0f} counts."
        )
        tables.append(_table(found, "As found"))
    else:
        paragraphs.append(f"As found: {found}")
    entries = history.of(Act.AS_LEFT, quantity.calibration.calibration_id)
    if entries:
        left = _comparison(entries[-1].content)
        paragraphs.append(f"As left, read again on {left.taken_at}: {left.sentence()}.")
        title = "As left"
    else:
        left = _own(quantity)
        paragraphs.append(
            f"As left, from the readings of this calibration itself: {left.sentence()}. "
            "No separate reading was taken afterwards."
        )
        title = "As left (the calibration's own readings)"
    tables.append(_table(left, title))
    return Section("As found and as left", paragraphs=tuple(paragraphs), tables=tuple(tables))


def _found_before(quantity: Quantity, history: History) -> Comparison | str:
    """The last as-found reading before this calibration, or the words that stand for it."""
    own = quantity.calibration.calibration_id
    last: Comparison | None = None
    before = ""
    for entry in history.entries:
        if entry.act is Act.AS_FOUND:
            last = _comparison(entry.content)
        elif entry.act is Act.IN_FORCE:
            if entry.calibration_id == own:
                if last is not None:
                    return last
                reason = entry.content.get("no_as_found", "")
                if reason:
                    return f"not read; stated reason: {reason}."
                return (
                    "this is the first calibration of the channel." if not before else "not read."
                )
            last, before = None, entry.calibration_id
    return "this calibration has not been put in force."


def _own(quantity: Quantity) -> Comparison:
    force = quantity.force
    named = {weight.name: weight for weight in force.weights}
    return compare(quantity.calibration, force.points, force.conditions, named)


def _comparison(content: dict[str, object]) -> Comparison:
    try:
        return Comparison.from_plain(content)
    except (KeyError, TypeError) as error:
        raise CalibrationFileError(
            f"An entry of the history is whole but lacks or misuses a part: {error}.",
            "It was made by a program that does not keep to the layout.",
        ) from error


def _table(comparison: Comparison, caption: str) -> Table:
    """Means of all runs, a row for each load and way."""
    unit = comparison.unit
    groups: dict[tuple[str, float], list[ComparedLoad]] = {}
    for load in comparison.loads:
        groups.setdefault((load.direction, load.mass_kg), []).append(load)
    headings = (
        "way",
        "readings",
        "mass (kg)",
        f"known ({unit})",
        f"read ({unit})",
        f"error ({unit})",
        f"U ({unit})",
        "worst error/U",
        "within U",
    )
    rows = tuple(_row(way, members) for (way, _), members in groups.items())
    return Table(headings, rows, (0.9, 1.0, 1.0, 1.2, 1.2, 1.2, 1.0, 1.2, 1.0), caption=caption)


def _row(way: str, members: list[ComparedLoad]) -> tuple[str, ...]:
    count = len(members)
    return (
        way,
        str(count),
        f"{members[0].mass_kg:g}",
        f"{members[0].reference:.2f}",
        f"{math.fsum(load.indicated for load in members) / count:.2f}",
        f"{math.fsum(load.error for load in members) / count:+.3f}",
        f"{max(load.expanded_uncertainty for load in members):.3f}",
        f"{max(load.normalised_error for load in members):.2f}",
        "yes" if all(load.agrees for load in members) else "NO",
    )


def checks(quantity: Quantity, history: History) -> list[Section]:
    """The control chart over the checks with one weight; no section where there are none."""
    entries = history.of(Act.CHECKED, quantity.calibration.calibration_id)
    try:
        found = [DailyCheck.from_plain(entry.content) for entry in entries]
    except (KeyError, TypeError) as error:
        raise CalibrationFileError(
            f"A check in the history lacks or misuses a part: {error}.",
            "It was made by a program that does not keep to the layout.",
        ) from error
    found = [check for check in found if check.series == found[-1].series]
    if not found:
        return []
    charts = drift_charts(
        [check.load.error for check in found], least_check_sd(quantity.calibration, found[-1])
    )
    state, reasons = judge(found[-1], charts)
    days = [check.taken_at for check in found]
    limits = np.array([check.load.expanded_uncertainty for check in found])
    names = " + ".join(found[-1].weights) or f"{found[-1].load.mass_kg:g} kg"

    def draw(axes: Axes) -> None:
        draw_chart(axes, charts, days, limits, quantity.unit)

    zeroings = len(history.of(Act.ZEROED, quantity.calibration.calibration_id))
    return [
        Section(
            "Checks with one weight",
            paragraphs=(
                f"{len(found)} checks with {names} since the calibration. Latest, {days[-1]}: "
                f"{state.value}{'; ' if reasons else ''}{'; '.join(reasons)}. {_base(charts)}",
                f"Zeroings logged: {zeroings}.",
            ),
            pictures=(
                picture(
                    draw,
                    "Control chart of the checks before session days; the uncertainty of a check "
                    f"is ± {limits[-1]:.2g} {quantity.unit}.",
                ),
            ),
        )
    ]


def _base(charts: DriftCharts) -> str:
    if charts.individuals is None:
        return "Too few checks yet for limits of a control chart."
    return "Limits from the first ten checks."
