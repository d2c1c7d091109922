"""Measures one isometric effort: windows, corrections, uncertainty."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from steelyard.strength.effort import (
    RELAXED_SECONDS,
    Effort,
    EffortLimits,
    Span,
    highest_mean,
)
from steelyard.strength.effort_validity import judged, short_gap, spoiled_signal
from steelyard.strength.lowpass import low_pass
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Measured, rectangular, root_sum
from steelyard.strength.signals import GRID_HZ, Signals

Array = NDArray[np.float64]


def measure_effort(
    signals: Signals,
    span: Span,
    profile: MachineProfile,
    limits: EffortLimits,
    relaxed_scatter_nm: float = 0.0,
) -> Effort:
    """Measure and judge one effort; ``relaxed_scatter_nm`` is a relaxed client's own scatter."""
    part = signals.between(span.onset_seconds, span.end_seconds)
    statements, remarks = spoiled_signal(signals, span, part), short_gap(signals, span, part)
    degrees = Measured(float(np.nanmedian(signals.degrees[part])), _angle_u(signals), "°")
    bare = Effort(
        span,
        degrees,
        None,
        None,
        None,
        None,
        (),
        None,
        None,
        span.relaxed_sd_nm,
        0.0,
        tuple(statements),
    )
    if statements:
        return bare
    net = signals.torque[part] - span.relaxed_nm
    seconds = signals.seconds[part]
    first, peak_nm = highest_mean(net, limits.peak_seconds)
    spread = _Spread(signals, profile, span, relaxed_scatter_nm)
    plateau_at, plateau_nm = highest_mean(net, limits.plateau_seconds)
    width = round(limits.plateau_seconds * GRID_HZ)
    held = net[plateau_at : plateau_at + width] if math.isfinite(plateau_nm) else None
    smooth = low_pass(net, 4.0, GRID_HZ)
    rise_time = _rise_time(seconds, smooth, peak_nm)
    effort = replace(
        bare,
        peak=spread.measured(peak_nm) if math.isfinite(peak_nm) else None,
        plateau=spread.measured(plateau_nm) if held is not None else None,
        peak_seconds=float(seconds[first]) + 0.5 * limits.peak_seconds,
        rise_time_seconds=rise_time,
        rise=_rises(signals, span, net, spread, limits),
        steadiness_percent=_steadiness(held) if held is not None else None,
        angle_change_degrees=_angle_change(signals, span),
        common_standard_uncertainty=signals.uncertainty.change(peak_nm),
    )
    verdict = judged(signals, effort, smooth, profile, limits)
    return replace(effort, statements=(*remarks, *verdict))


class _Spread:
    """Corrects for friction and adds up what is uncertain about a torque of this effort."""

    def __init__(
        self, signals: Signals, profile: MachineProfile, span: Span, scatter_nm: float
    ) -> None:
        self._signals = signals
        friction = profile.friction
        self._hidden_nm = 0.5 * friction.value
        # Relaxed torque: what the mean of so short a time may miss of a slow breath,
        # which dry friction hides while the arm is locked.
        self._alike = root_sum(
            (
                rectangular(friction.value),
                rectangular(0.5 * friction.value),
                friction.standard_uncertainty,
                span.relaxed_sd_nm,
                scatter_nm,
            )
        )

    def measured(self, net_nm: float) -> Measured:
        value = net_nm + self._hidden_nm
        spread = root_sum((self._signals.uncertainty.change(value), self._alike))
        return Measured(value, spread, "N·m")


def _rise_time(seconds: Array, smooth: Array, peak_nm: float) -> float | None:
    above = np.flatnonzero(smooth >= 0.9 * peak_nm)
    if not len(above):
        return None
    low = np.flatnonzero(smooth[: above[0] + 1] < 0.1 * peak_nm)
    start = int(low[-1]) if len(low) else 0
    return float(seconds[above[0]] - seconds[start])


def _rises(
    signals: Signals, span: Span, net: Array, spread: _Spread, limits: EffortLimits
) -> tuple[tuple[float, Measured], ...]:
    found = []
    noise = span.relaxed_sd_nm * math.sqrt(2.0)
    for window in limits.rise_seconds:
        index = round(window * GRID_HZ)
        if window < signals.resolvable_seconds - 1e-9 or index >= len(net):
            continue
        change = float(net[index] - net[0])
        if not math.isfinite(change):
            continue
        # When it began is known to a grid point or so, which matters in so short a time.
        onset = change / window / GRID_HZ
        u = root_sum((signals.uncertainty.change(change), noise, onset))
        found.append((window, Measured(change / window, u / window, "N·m/s")))
    return tuple(found)


def _steadiness(held: Array) -> float:
    at = np.arange(len(held), dtype=np.float64)
    line = np.polynomial.Polynomial.fit(at, held, 1)
    return 100.0 * float(np.std(held - line(at))) / float(np.mean(held))


def _angle_change(signals: Signals, span: Span) -> float:
    before = signals.smooth_degrees[
        signals.between(span.onset_seconds - RELAXED_SECONDS, span.onset_seconds)
    ]
    during = signals.smooth_degrees[signals.between(span.onset_seconds, span.end_seconds)]
    return float(np.nanmax(np.abs(during - np.nanmedian(before))))


def _angle_u(signals: Signals) -> float:
    return root_sum(
        (signals.angle_standard_uncertainty, signals.angle_periodic_degrees / math.sqrt(2.0))
    )
