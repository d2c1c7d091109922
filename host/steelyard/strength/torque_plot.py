"""Torque against angle as a picture (needs matplotlib: the ``report`` extra)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from steelyard.errors import ExportError
from steelyard.strength.arm_torque import ArmTorque, PeakTorque

_LINE = "#1f5f7a"
_MARK = "#8a4b08"


def plot_torque_against_angle(
    torque: ArmTorque,
    peaks: Sequence[PeakTorque],
    calibrated_newton_metres: tuple[float, float],
    path: Path,
    title: str,
) -> None:
    """Draw every sound sample, the peaks with their uncertainty, and the calibrated range.

    Raises:
        ExportError: matplotlib is missing, or the picture cannot be written.
    """
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise ExportError(
            "Drawing needs matplotlib, which is not installed.", "Install steelyard[report]."
        ) from error
    figure = Figure(figsize=(9, 6), dpi=120, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    sound = np.isfinite(torque.torque_newton_metres) & np.isfinite(torque.degrees)
    axes.plot(
        torque.degrees[sound],
        torque.torque_newton_metres[sound],
        color=_LINE,
        linewidth=0.6,
        alpha=0.6,
        label="every sound sample, in order",
    )
    axes.errorbar(
        [peak.degrees for peak in peaks],
        [peak.torque_newton_metres for peak in peaks],
        yerr=[2 * peak.standard_uncertainty for peak in peaks],
        fmt="D",
        color=_MARK,
        capsize=5,
        markersize=5,
        label="highest half-second means ± U (k = 2)",
    )
    for peak in peaks:
        axes.annotate(
            f"{peak.torque_newton_metres:.0f} N·m",
            (peak.degrees, peak.torque_newton_metres),
            textcoords="offset points",
            xytext=(8, 6),
            color=_MARK,
        )
    low, high = calibrated_newton_metres
    axes.axhspan(low, high, color="0.93", zorder=0, label="calibrated range")
    axes.margins(y=0.08)
    axes.set_xlabel("arm angle, forward bend positive / °")
    axes.set_ylabel("torque on the arm, extension positive / N·m")
    axes.set_title(title)
    axes.grid(True, linewidth=0.3)
    figure.legend(loc="outside lower center", ncols=3, frameon=False)
    try:
        figure.savefig(path)
    except OSError as error:
        raise ExportError(
            f"The picture could not be written to {path}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error
