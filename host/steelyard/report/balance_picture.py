"""The balance as it was measured: torque of the sweeps, the fit, and what the fit leaves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from steelyard.printed.document import Picture
from steelyard.printed.drawing import BAND, BLUE, INK, RUST, figure_picture, plain_axes
from steelyard.strength.balance import BalanceFit
from steelyard.strength.crank_course import sweeps_to_fit
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.session_analysis import SessionFacts, passive_sweeps
from steelyard.strength.signals import GRID_HZ, Signals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

EVERY: Final = round(GRID_HZ / 8.0)
"""Eight points a second are enough to see by."""
WAYS: Final = ((1, "extending", "o", BLUE, BLUE, "-"), (-1, "flexing", "s", RUST, "white", "--"))


def balance_picture(
    signals: Signals, profile: MachineProfile, facts: SessionFacts, fit: BalanceFit
) -> Picture:
    """Above: torque against angle; below: what the fit leaves."""
    sweeps = sweeps_to_fit(passive_sweeps(signals, profile, facts), facts.crank_course)
    friction = fit.friction.value if fit.friction is not None else 0.0

    def draw(figure: Figure) -> None:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.0, 1.0))
        plain_axes(upper)
        plain_axes(lower)
        _fit_lines(upper, fit, friction)
        for direction, label, mark, colour, face, _ in WAYS:
            angle, torque = [], []
            for sweep in sweeps:
                if sweep.direction == direction:
                    part = signals.between(sweep.start_seconds, sweep.end_seconds)
                    angle.append(signals.smooth_degrees[part][::EVERY])
                    torque.append(signals.torque[part][::EVERY])
            if not angle:
                continue
            at, seen = np.concatenate(angle), np.concatenate(torque)
            left = seen - fit.moment.torque(at) + friction * direction
            for axes, values in ((upper, seen), (lower, left)):
                (points,) = axes.plot(at, values, mark, color=colour, markersize=2.5, label=label)
                points.set(markerfacecolor=face, markeredgewidth=0.6)
        lower.axhline(0.0, color=INK, linewidth=0.8)
        lower.set_xlabel("arm angle, forward bend positive (°)")
        upper.set_ylabel("torque (N·m)")
        lower.set_ylabel("off the fit (N·m)")
        upper.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=7)

    return figure_picture(
        draw,
        "Balance: torque of the relaxed client in slow sweeps both ways, the fit of weight and "
        "friction, and what is left of each sample. The band is the residual moment with its "
        "expanded uncertainty (k = 2.0).",
        (7.0, 3.6),
    )


def _fit_lines(axes: Axes, fit: BalanceFit, friction: float) -> None:
    at = np.linspace(fit.low_degrees, fit.high_degrees, 101)
    moment, spread = fit.moment.torque(at), 2.0 * fit.standard_uncertainty(at)
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.fill_between(at, moment - spread, moment + spread, color=BAND, lw=0, label="residual ± U")
    axes.plot(at, moment, color=INK, linewidth=1.2, label="residual moment")
    for direction, _, _, colour, _, line in WAYS:
        axes.plot(at, moment - friction * direction, line, color=colour, linewidth=0.9)
