"""Every isometric effort as a trace, station by station."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from steelyard.printed.document import Picture
from steelyard.printed.drawing import BLUE, GREY, INK, RUST, figure_picture, plain_axes
from steelyard.strength.effort import Effort
from steelyard.strength.isometric import IsometricTest, Station
from steelyard.strength.signals import Signals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS: Final = 4
BEFORE_SECONDS: Final = 2.0
AFTER_SECONDS: Final = 1.0
STYLES: Final = (("-", BLUE), ("--", RUST), (":", INK), ("-.", BLUE))


def effort_picture(signals: Signals, test: IsometricTest) -> Picture:
    """One small drawing for each station; an effort that does not count is thin and grey."""
    count = len(test.stations)
    columns = min(COLUMNS, count)
    rows = -(-count // columns)

    def draw(figure: Figure) -> None:
        grid = figure.subplots(rows, columns, sharey=True, squeeze=False)
        places = grid.ravel()
        for axes in places[count:]:
            axes.set_axis_off()
        for axes, station in zip(places, test.stations, strict=False):
            plain_axes(axes)
            _station(axes, signals, station)
        for place in range(count):
            if place + columns >= count:
                places[place].set_xlabel("since onset (s)")
        for row in grid:
            row[0].set_ylabel("torque (N·m)")

    return figure_picture(
        draw,
        "Isometric efforts, relaxed torque taken off, from their onset. The mark is the peak "
        "(highest mean over 0.5 s) with its expanded uncertainty (k = 2.0). Thin grey lines are "
        "efforts that do not count.",
        (7.0, 0.5 + 1.75 * rows),
        font_size=7.0,
    )


def _station(axes: Axes, signals: Signals, station: Station) -> None:
    axes.set_title(f"at {station.degrees:z.0f}°", fontsize=8, loc="left")
    axes.axhline(0.0, color=INK, linewidth=0.6)
    for number, effort in enumerate(station.efforts, start=1):
        _trace(axes, signals, effort, number)
    axes.legend(fontsize=6, frameon=False, loc="best", handlelength=2.6)
    axes.margins(y=0.08)


def _trace(axes: Axes, signals: Signals, effort: Effort, number: int) -> None:
    span = effort.span
    part = signals.between(span.onset_seconds - BEFORE_SECONDS, span.end_seconds + AFTER_SECONDS)
    since = signals.seconds[part] - span.onset_seconds
    net = signals.torque[part] - span.relaxed_nm
    line, colour = STYLES[(number - 1) % len(STYLES)]
    if not effort.valid:
        axes.plot(since, net, line, color=GREY, linewidth=0.8, label=f"{number} does not count")
        return
    axes.plot(since, net, line, color=colour, linewidth=1.2, label=f"effort {number}")
    if effort.peak is not None and effort.time_to_peak_seconds is not None:
        axes.errorbar(
            [effort.time_to_peak_seconds],
            [effort.peak.value],
            yerr=[effort.peak.expanded_uncertainty],
            fmt="D",
            color=colour,
            markersize=3.5,
            capsize=2.5,
            markerfacecolor="white" if number > 1 else colour,
        )
