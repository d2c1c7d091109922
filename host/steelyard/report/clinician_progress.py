"""Visit to visit on the clinician's report: picture, table, and what to make of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from steelyard.printed.document import Notice, Picture, Section, Table
from steelyard.printed.drawing import BLUE, GREY, INK, RUST, figure_picture, plain_axes
from steelyard.report.visit_comparison import WHOLE_CURVE, Line, VisitComparison
from steelyard.report.wording import DASH, UNCERTAINTY, change_text, in_cell
from steelyard.strength.visits import Change

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MARKS: Final = "os^vDP*X<>"
COLOURS: Final = (BLUE, RUST, GREY, INK)
SHOWN: Final = 5
"""Visits in the table: the latest ones."""


def progress_section(comparison: VisitComparison) -> Section:
    """Every line through the visits."""
    found = comparison.detectable
    limit = f"{found.value:.1f} {'% of the earlier value' if found.percent else 'N·m'}"
    facts = [
        ("Smallest real change", f"{limit} at 95 %, from {found.source}"),
        ("Baseline", f"the test of {comparison.days[comparison.baseline]}"),
    ]
    for line in comparison.lines:
        if line.trend is not None:
            slope = line.trend.per_month
            half = line.trend.coverage_factor * slope.standard_uncertainty
            verdict = "real at 95 %" if line.trend.real else "not told from none at 95 %"
            facts.append(
                (f"Trend, {line.name}",
                 f"{slope.value:+.1f} ± {half:.1f} {slope.unit} "
                 f"(k = {line.trend.coverage_factor:.1f}; {line.trend.visits} tests), {verdict}")
            )  # fmt: skip
    return Section(
        "Visit to visit",
        notices=tuple(Notice(text) for text in comparison.remarks),
        facts=tuple(facts),
        pictures=(_picture(comparison),),
        tables=(_table(comparison),),
        tables_last=True,
    )


def _table(comparison: VisitComparison) -> Table:
    first = max(0, len(comparison.days) - SHOWN)
    days = comparison.days[first:]
    rows = tuple(
        (
            line.name,
            *(in_cell(value) for value in line.values[first:]),
            *_change(line.since_last),
            *_change(line.since_baseline),
        )
        for line in comparison.lines
    )
    return Table(
        ("", *days, "since last", "real?", "since baseline", "real?"),
        rows,
        (1.3, *(1.4 for _ in days), 1.4, 1.0, 1.5, 1.0),
        caption=f"Torque in N·m. {UNCERTAINTY} “real”: the change exceeds what repeat tests differ "
        "by and the uncertainty of the measurement, at 95 %. The whole curve is the mean torque "
        "over the range that all curves have.",
    )


def _change(change: Change | None) -> tuple[str, str]:
    if change is None:
        return DASH, DASH
    text = change_text(change.change).removesuffix(change.change.unit).strip()
    return text, "real" if change.real else "not shown"


def _picture(comparison: VisitComparison) -> Picture:
    at = np.arange(len(comparison.days))

    def draw(figure: Figure) -> None:
        axes = figure.add_subplot()
        plain_axes(axes)
        for number, line in enumerate(comparison.lines):
            _draw_line(axes, at, line, number)
        axes.set_xticks(at, list(comparison.days))
        axes.set_xlim(-0.4, len(at) - 0.6)
        axes.set_ylabel("torque (N·m)")
        axes.set_ylim(bottom=0.0)
        axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=7)

    return figure_picture(
        draw,
        "Strength from visit to visit, station by station and as the mean over the whole curve "
        "(thick); bars are the expanded uncertainty of the measurement (k = 2.0). Visits are "
        "evenly spaced here whatever lies between.",
        (7.0, 3.0),
    )


def _draw_line(axes: Axes, at: NDArray[np.int_], line: Line, number: int) -> None:
    there = [index for index, value in enumerate(line.values) if value is not None]
    values = [value for value in line.values if value is not None]
    whole = line.name == WHOLE_CURVE
    axes.errorbar(
        at[there],
        [value.value for value in values],
        yerr=[value.expanded_uncertainty for value in values],
        fmt=("-" if whole else "--") + MARKS[number % len(MARKS)],
        color=INK if whole else COLOURS[number % len(COLOURS)],
        linewidth=2.0 if whole else 0.9,
        markersize=5,
        markerfacecolor=INK if whole else "white",
        capsize=3,
        label=line.name,
    )
