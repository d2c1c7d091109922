"""A set of repetitions in time: angle and torque, each repetition with its number and faults."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from steelyard.printed.document import Picture
from steelyard.printed.drawing import BLUE, GREY, INK, RUST, figure_picture, plain_axes
from steelyard.strength.set_summary import SetSummary
from steelyard.strength.signals import Signals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

AROUND_SECONDS: Final = 2.0
SHADE: Final = "#eef1f4"


def set_picture(signals: Signals, one: SetSummary) -> Picture:
    """Two curves over time; a faulty repetition is hatched and its number has a sign."""
    first, last = one.repetitions[0].measures, one.repetitions[-1].measures
    part = signals.between(first.start_seconds - AROUND_SECONDS, last.end_seconds + AROUND_SECONDS)

    def draw(figure: Figure) -> None:
        upper, lower = figure.subplots(2, 1, sharex=True)
        for axes in (upper, lower):
            plain_axes(axes)
            _repetitions(axes, one)
        seconds = signals.seconds[part]
        upper.plot(seconds, signals.degrees[part], color=BLUE, linewidth=1.1)
        lower.plot(seconds, signals.torque[part], color=RUST, linewidth=1.1)
        lower.axhline(0.0, color=INK, linewidth=0.6)
        if one.stop is not None:
            _stop(upper, one)
        for repetition in one.repetitions:
            at = 0.5 * (repetition.measures.start_seconds + repetition.measures.end_seconds)
            sign = "▲" if repetition.findings else ""
            upper.annotate(
                f"{sign}{repetition.number}", (at, 1.0), xycoords=("data", "axes fraction"),
                ha="center", va="bottom", fontsize=8, annotation_clip=False,
            )  # fmt: skip
        upper.set_ylabel("angle (°)")
        lower.set_ylabel("torque on the stack\n(N·m)")
        lower.set_xlabel("time in the session (s)")
        if len(seconds):
            upper.set_xlim(float(seconds[0]), float(seconds[-1]))

    return figure_picture(
        draw,
        "The set in time: arm angle (forward bend positive) and torque on the stack. Numbers are "
        "repetitions; ▲ and hatching mark those with a fault of form, which the table names.",
        (7.0, 3.2),
    )


def _repetitions(axes: Axes, one: SetSummary) -> None:
    for repetition in one.repetitions:
        measures = repetition.measures
        faulty = bool(repetition.findings)
        axes.axvspan(
            measures.start_seconds, measures.end_seconds,
            facecolor="none" if faulty else SHADE, edgecolor=GREY if faulty else "none",
            hatch="///" if faulty else None, linewidth=0.0, zorder=0, alpha=0.6,
        )  # fmt: skip


def _stop(axes: Axes, one: SetSummary) -> None:
    if one.stop is None:
        return
    number = one.stop.after_repetition
    at = next(each.measures.end_seconds for each in one.repetitions if each.number == number)
    axes.axvline(at, color=INK, linewidth=1.4, linestyle=(0, (4, 2)))
    low, high = axes.get_ylim()
    axes.annotate(
        "stop by rule", (at, low + 0.03 * (high - low)), xytext=(3, 0), rotation=90,
        textcoords="offset points", fontsize=7, va="bottom",
    )  # fmt: skip
