"""An overview as a picture (needs matplotlib: the ``report`` extra)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from steelyard.errors import ExportError
from steelyard.recording.export_error import export_error
from steelyard.recording.overview import ChannelOverview, Overview
from steelyard.recording.validation_report import utc_text

_FILL = "#1f5f7a"
_REMARK = "#8a4b08"
_FLAGGED = "#b3261e"


def draw_overview(overview: Overview, path: Path) -> None:
    """Draw each channel as the band between its extremes, remarks and flagged samples marked.

    Raises:
        ExportError: nothing to draw, matplotlib is missing, or the picture cannot be written.
    """
    if not overview.channels:
        raise ExportError(
            f"{overview.path} holds no samples, so there is nothing to draw.",
            "Validate it to see what it holds.",
        )
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise ExportError(
            "Drawing needs matplotlib, which is not installed.", "Install steelyard[report]."
        ) from error
    count = len(overview.channels)
    figure = Figure(figsize=(12, 1.2 + 1.8 * count), dpi=100, layout="constrained")
    canvas = FigureCanvasAgg(figure)
    all_axes = figure.subplots(count, 1, sharex=True, squeeze=False)[:, 0]
    unit, factor = _time_unit(overview.duration_seconds)
    for axes, channel in zip(all_axes, overview.channels, strict=True):
        _draw_channel(axes, channel, overview.column_seconds, factor)
        for seconds, _ in overview.remarks:
            axes.axvline(seconds / factor, color=_REMARK, linewidth=0.8, alpha=0.7)
    all_axes[-1].set_xlabel(f"time since the first sample [{unit}]")
    figure.suptitle(_title(overview), fontsize="medium")
    try:
        canvas.print_figure(path)
    except (OSError, ValueError) as error:
        wrapped = error if isinstance(error, OSError) else OSError(0, str(error))
        raise export_error(path, wrapped) from error


def _draw_channel(axes: Any, channel: ChannelOverview, width: float, factor: float) -> None:
    seconds, low, high = with_holes(channel, width)
    axes.fill_between(seconds / factor, low, high, step="post", color=_FILL, linewidth=0.7)
    flagged = channel.counts.unusable_total > 0
    if flagged.any():
        axes.plot(
            channel.seconds[flagged] / factor,
            np.zeros(np.count_nonzero(flagged)),
            linestyle="none",
            marker="|",
            color=_FLAGGED,
            transform=axes.get_xaxis_transform(),
            clip_on=False,
            label=f"{int(channel.counts.unusable_total.sum())} samples without a sound value",
        )
        axes.legend(loc="upper right", fontsize="small")
    axes.set_ylabel(f"{channel.kind.replace('_', ' ')} {channel.channel}\n[counts]")
    axes.grid(alpha=0.3)


def with_holes(
    channel: ChannelOverview, width: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Beginnings and extremes of the columns, with NaN after each one that a hole follows.

    A hole is more than what a slow channel leaves between its samples anyway.
    """
    ends = channel.seconds + width
    steps = np.diff(channel.seconds)
    usual = float(np.median(steps)) if len(steps) else width
    follows = np.append(steps < max(1.5 * width, 3 * usual), False)
    places = np.flatnonzero(~follows) + 1
    last = np.where(follows, np.nan, ends)[~follows]
    seconds = np.insert(channel.seconds, places, last)
    low = np.insert(channel.counts.lowest, places, np.nan)
    high = np.insert(channel.counts.highest, places, np.nan)
    return seconds, low, high


def _time_unit(duration_seconds: float) -> tuple[str, float]:
    for limit, unit, factor in ((180, "s", 1.0), (3 * 3600, "min", 60.0)):
        if duration_seconds <= limit:
            return unit, factor
    return "h", 3600.0


def _title(overview: Overview) -> str:
    facts = overview.origin
    names = [text for text in (facts.machine, facts.client_code, f"box {facts.box_id}") if text]
    started = utc_text(facts.started_unix_ns)
    return f"{overview.path.name}: {', '.join(names)}, begun {started}, extremes of raw counts"
