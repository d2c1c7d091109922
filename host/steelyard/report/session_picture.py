"""The whole session at a glance: what was recorded, also where nothing could be measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from steelyard.printed.document import Picture
from steelyard.printed.drawing import BLUE, GREY, INK, RUST, figure_picture, plain_axes
from steelyard.strength.measured import Statement
from steelyard.strength.signals import Signals

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

POINTS: Final = 1500
LEAST_SPAN: Final = 10.0
"""Of either axis, in its own unit."""


def session_picture(signals: Signals, statements: Sequence[Statement]) -> Picture:
    """Angle and torque over the session, lowest and highest of each stretch; ▲ where said."""
    step = max(1, len(signals) // POINTS)
    count = len(signals) // step
    seconds = signals.seconds[: count * step : step]

    def draw(figure: Figure) -> None:
        upper, lower = figure.subplots(2, 1, sharex=True)
        for axes, values, colour, label in (
            (upper, signals.degrees, BLUE, "angle (°)"),
            (lower, signals.torque, RUST, "torque (N·m)"),
        ):
            plain_axes(axes)
            blocks = values[: count * step].reshape(count, step)
            known = np.isfinite(blocks).any(axis=1)
            low, high = np.full(count, np.nan), np.full(count, np.nan)
            low[known] = np.nanmin(blocks[known], axis=1)
            high[known] = np.nanmax(blocks[known], axis=1)
            axes.fill_between(seconds, low, high, color=colour, linewidth=0.8)
            axes.set_ylabel(label)
            if known.any():
                _widen(axes)
            if not known.any():
                axes.text(0.5, 0.5, "no sound sample", ha="center", transform=axes.transAxes,
                          color=GREY)  # fmt: skip
        for one in statements:
            if one.seconds is not None:
                upper.annotate(
                    "▲", (one.seconds, 1.0), xycoords=("data", "axes fraction"), ha="center",
                    va="bottom", fontsize=7, color=INK, annotation_clip=False,
                )  # fmt: skip
        lower.set_xlabel("time in the session (s)")

    return figure_picture(
        draw,
        "The whole session. ▲ marks the moments that the remarks above speak of; gaps are where no "
        "sound sample was recorded.",
        (7.0, 2.8),
    )


def _widen(axes: Axes) -> None:
    """Noise about a standstill is not to look like movement."""
    low, high = axes.get_ylim()
    missing = LEAST_SPAN - (high - low)
    if missing > 0.0:
        axes.set_ylim(low - 0.5 * missing, high + 0.5 * missing)
