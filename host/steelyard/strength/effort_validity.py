"""Whether an isometric effort counts, and what makes figures of it impossible."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.strength.effort import Effort, EffortLimits, Span
from steelyard.strength.lowpass import low_pass
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.restraint import find_slips, slip_statement
from steelyard.strength.signals import GRID_HZ, SHORT_GAP_SECONDS, Signals

Array = NDArray[np.float64]

RELAXED_LEAST_SECONDS: Final = 0.5
CUT_SECONDS: Final = 0.1
AFTER_SECONDS: Final = 0.3


def spoiled_signal(signals: Signals, span: Span, part: slice) -> list[Statement]:
    """What makes figures of this effort impossible: the first reason, or none."""
    missing = _missing_seconds(signals, part)
    following = signals.between(span.end_seconds, span.end_seconds + AFTER_SECONDS)
    checks = (
        (
            bool(signals.saturated[part].any()),
            "saturated",
            "The load cell's converter was at the end of its range during this effort.",
        ),
        (
            missing > SHORT_GAP_SECONDS,
            "samples-missing",
            f"{missing:.2f} s of this effort were not recorded; its peak may lie there, so none is "
            "given.",
        ),
        (
            span.end_seconds >= signals.seconds[-1] - CUT_SECONDS,
            "cut-off",
            "The recording ends in the middle of this effort.",
        ),
        (
            not np.isfinite(signals.torque[following]).all(),
            "samples-missing",
            "Samples are missing from the middle of this effort on: no peak is given.",
        ),
        (
            not np.isfinite(signals.smooth_degrees[part]).all(),
            "angle-missing",
            "The arm angle is missing during this effort: whether the arm stood still is not "
            "known.",
        ),
        (
            span.relaxed_seconds < RELAXED_LEAST_SECONDS,
            "not-relaxed",
            "No relaxed torque was recorded before this effort, so weight cannot be taken off.",
        ),
    )
    return [
        Statement(code, text, span.onset_seconds, spoils=True)
        for holds, code, text in checks
        if holds
    ][:1]


def short_gap(signals: Signals, span: Span, part: slice) -> list[Statement]:
    """A remark on a gap too short to cost the effort."""
    missing = _missing_seconds(signals, part)
    if missing == 0.0:
        return []
    text = f"{1e3 * missing:.0f} ms of this effort are missing; windows that touch them are left "
    return [Statement("samples-missing", text + "out.", span.onset_seconds)]


def judged(
    signals: Signals,
    effort: Effort,
    smooth: Array,
    profile: MachineProfile,
    limits: EffortLimits,
) -> list[Statement]:
    """Everything that speaks against the effort."""
    span, peak = effort.span, effort.peak
    at = span.onset_seconds
    if peak is None:
        text = f"It was shorter than the {limits.peak_seconds:g} s over which a peak is taken."
        return [Statement("not-held", text, at, spoils=True)]
    top = peak.value
    held = float(np.count_nonzero(smooth >= limits.held_ratio * top)) / GRID_HZ
    before = signals.torque[signals.between(at - 1.0, at + 0.3)]
    dip = span.relaxed_nm - float(np.nanmin(low_pass(before, 6.0, GRID_HZ)))
    allowed_dip = max(limits.dip_ratio * top, 4.0 * span.relaxed_sd_nm)
    moved = (effort.angle_change_degrees or 0.0) - profile.yield_degrees_per_nm * top
    rise = effort.rise_time_seconds
    part = signals.between(span.onset_seconds, span.end_seconds)
    checks = [
        (
            rise is not None and rise < limits.abrupt_seconds,
            "too-abrupt",
            f"It rose within {rise or 0.0:.2f} s; at least {limits.abrupt_seconds:g} s are asked.",
        ),
        (
            dip > allowed_dip,
            "countermovement",
            f"Before it the client moved the other way, by {dip:.1f} N·m.",
        ),
        (
            held < limits.held_seconds,
            "not-held",
            f"It was held for {held:.1f} s; {limits.held_seconds:g} s are asked.",
        ),
        (
            moved > limits.moved_degrees,
            "arm-moved",
            f"The arm moved {moved:.1f} degrees more than its lock gives.",
        ),
        (
            span.relaxed_sd_nm > profile.relaxed_scatter_nm,
            "not-relaxed",
            f"The client was not relaxed before it: torque scattered by {span.relaxed_sd_nm:.1f} "
            "N·m.",
        ),
        (
            bool(signals.extrapolated[part].any()) and top > 0.0 and _beyond(signals, part, top),
            "beyond-calibration",
            "It goes beyond the weights the load cell was calibrated with.",
        ),
        (
            top > profile.torque_limit_nm,
            "beyond-limit",
            f"It is more than the {profile.torque_limit_nm:g} N·m the machine is meant for: stop.",
        ),
    ]
    said = [Statement(code, text, at, spoils=True) for holds, code, text in checks if holds]
    slips = find_slips(signals, profile, span.onset_seconds - 0.5, span.end_seconds)
    return [*said, *(replace(slip_statement(slip), spoils=True) for slip in slips)]


def _missing_seconds(signals: Signals, part: slice) -> float:
    return float(np.count_nonzero(~np.isfinite(signals.torque[part]))) / GRID_HZ


def _beyond(signals: Signals, part: slice, top: float) -> bool:
    """Whether it is the high torques that lie beyond the range, not those about zero."""
    high = signals.torque[part] > 0.5 * top
    return bool((signals.extrapolated[part] & high).any())
