"""The drawings of a certificate: residuals with bands, hysteresis loop, control chart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from steelyard.calibration.control_chart import Chart
from steelyard.calibration.daily_check import DriftCharts
from steelyard.calibration.least_squares import Array
from steelyard.printed.drawing import BAND, BAND_INNER, BLUE, GREY, INK, RUST

if TYPE_CHECKING:
    from matplotlib.axes import Axes

RUN_MARKS: Final = "osDPXv^<>*"


def draw_residuals(
    axes: Axes,
    loads: Array,
    residuals: Array,
    rising: Sequence[bool],
    runs: Sequence[int],
    band: tuple[Array, Array, Array],
    unit: str,
) -> None:
    """Residuals (n) over loads (n); ``band``: loads, half-widths for a mean and for one sample."""
    at, inner, outer = band
    axes.fill_between(at, -outer, outer, color=BAND, lw=0, label="one sample, 95 %")
    axes.fill_between(at, -inner, inner, color=BAND_INNER, lw=0, label="averaged, 95 %")
    axes.axhline(0.0, color=INK, linewidth=0.8)
    for run in sorted(set(runs)):
        mark = RUN_MARKS[(run - 1) % len(RUN_MARKS)]
        for way, colour in ((True, BLUE), (False, RUST)):
            chosen = [index for index, up in enumerate(rising) if up is way and runs[index] == run]
            axes.plot(
                loads[chosen],
                residuals[chosen],
                mark,
                color=colour,
                markersize=4,
                markerfacecolor=colour if way else "white",
                label=f"run {run} {'up' if way else 'down'}",
            )
    axes.set_xlabel(f"load ({unit})")
    axes.set_ylabel(f"reading less curve ({unit})")
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=7)


def draw_loop(axes: Axes, loads: Array, up: Array, down: Array, unit: str) -> None:
    """Mean deviation from the line through the ends, rising and falling, % of the span."""
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.plot(loads, up, "o-", color=BLUE, markersize=4, linewidth=1.2, label="rising")
    (falling,) = axes.plot(loads, down, "o-", color=RUST, linewidth=1.2, label="falling")
    falling.set(markersize=4, markerfacecolor="white")
    axes.set_xlabel(f"load ({unit})")
    axes.set_ylabel("off the straight line (% of span)")
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=7)


def draw_chart(
    axes: Axes, charts: DriftCharts, days: Sequence[str], limits: Array, unit: str
) -> None:
    """Errors of the checks by day, their uncertainty, and the limits of the charts."""
    at = np.arange(len(charts.errors))
    errors = np.array(charts.errors)
    label = "U (95 %) of a check"
    axes.fill_between(at, -limits, limits, color=BAND, lw=0, step="mid", label=label)
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.plot(at, errors, color=GREY, linewidth=0.6)
    axes.plot(at, errors, "o", color=BLUE, markersize=4, label="error of the day")
    if charts.individuals is not None and charts.ewma is not None:
        axes.plot(at, charts.ewma.values, color=RUST, linewidth=1.4, label="weighted mean (EWMA)")
        _limits(axes, charts.individuals, "--", BLUE, "limits of a day")
        _limits(axes, charts.ewma, ":", RUST, "limits of the mean")
        outside = sorted({*charts.individuals.outside, *charts.ewma.outside})
        (ring,) = axes.plot(at[outside], errors[outside], "o", color=RUST, label="beyond a limit")
        ring.set(markersize=8, markerfacecolor="none")
    step = max(1, -(-len(days) // 5))
    axes.set_xticks(at[::step], [day[:10] for day in days[::step]])
    # the drift is what matters here; the band may go out of the picture
    height = 1.4 * max(np.abs(errors).max(), *_reach(charts)) or 1.0
    axes.set_ylim(-height, height)
    axes.set_ylabel(f"error ({unit})")
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=7)


def _reach(charts: DriftCharts) -> tuple[float, float]:
    """How far the limits of single days reach; nothing before there are any."""
    if charts.individuals is None:
        return 0.0, 0.0
    return abs(charts.individuals.lower[0]), abs(charts.individuals.upper[0])


def _limits(axes: Axes, chart: Chart, line: str, colour: str, label: str) -> None:
    """Lower and upper limits of a chart."""
    at = np.arange(len(chart.values))
    axes.plot(at, chart.upper, line, color=colour, linewidth=0.9, label=label)
    axes.plot(at, chart.lower, line, color=colour, linewidth=0.9)


def draw_angle(axes: Axes, angles: Array, residuals: Array, band: tuple[Array, Array]) -> None:
    """Residuals (n) of known positions in degrees, with the band of a reading's U."""
    at, expanded = band
    axes.fill_between(at, -expanded, expanded, color=BAND, lw=0, label="U (95 %)")
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.plot(angles, residuals, "o", color=BLUE, markersize=4, label="known position")
    axes.set_xlabel("angle (°)")
    axes.set_ylabel("known less read (°)")
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=7)
