"""From the raw counts of a recording to ``Signals``.

Takes the columns of one load channel and, where there is one, of the roller's
channel; whether they were read from a file or gathered live makes no
difference.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import SampleFlags
from steelyard_protocol.soundness import UNSOUND_ANGLE, UNSOUND_ANGLE_OF_LOAD, UNSOUND_LOAD

from steelyard.errors import AnalysisError
from steelyard.recording.contents import NO_HOST_TIME
from steelyard.strength.machine_profile import MachineProfile, Roller
from steelyard.strength.measured import Statement
from steelyard.strength.sample_columns import LoadColumns, SampleColumns
from steelyard.strength.signals import (
    GAP_PERIODS,
    GRID_HZ,
    SETTLING_CONVERSIONS,
    Signals,
    on_grid,
)
from steelyard.strength.torque_scale import TorqueScale

Array = NDArray[np.float64]

SHORTEST_RISE_SECONDS: Final = 0.1
UNKNOWN_PAUSE_SECONDS: Final = 10.0
"""Set between two boots where no clock says how long the box was away."""
ANGLE_DEAD_SHARE: Final = 0.5
SATURATED_SECONDS: Final = 0.1
FILTER_DELAY_CONVERSIONS: Final = 0.5 * (SETTLING_CONVERSIONS - 1)
"""Of a symmetric filter that settles in four conversions; its shape is not published."""
SATURATED: Final = int(SampleFlags.SATURATED_HIGH | SampleFlags.SATURATED_LOW)


@dataclass(frozen=True)
class AngleScale:
    """``convert``: counts (n) of the arm's sensor to degrees (n)."""

    convert: Callable[[NDArray[np.int32]], Array]
    standard_uncertainty_degrees: float
    periodic_degrees: float


def profile_angle(profile: MachineProfile) -> AngleScale:
    """The scale that a profile's one known angle gives."""
    zero = profile.angle_zero
    return AngleScale(
        zero.degrees_at, zero.standard_uncertainty_degrees, profile.angle_periodic_degrees
    )


def signals_of(
    load: LoadColumns,
    scale: TorqueScale,
    angle: AngleScale,
    roller: SampleColumns | None = None,
    roller_facts: Roller | None = None,
) -> Signals:
    """Put one session on the grid.

    Raises AnalysisError when there are too few samples to speak of a session.
    """
    if len(load) < 2:
        raise AnalysisError(
            f"The recording holds {len(load)} samples of the load channel: there is nothing to "
            "analyse.",
            "Check with `steelyard validate` what was recorded.",
        )
    placed = _Placement(load)
    seconds = placed.seconds(load)
    period = placed.period_seconds
    forced = (load.load_counts != NO_COUNTS) & (load.flags & UNSOUND_LOAD == 0)
    torque, beyond = scale.convert(np.where(forced, load.load_counts, 0).astype(np.float64))
    grid = np.arange(np.ceil(seconds[0] * GRID_HZ), np.floor(seconds[-1] * GRID_HZ) + 1) / GRID_HZ
    angled = (load.angle_counts != NO_COUNTS) & (load.flags & UNSOUND_ANGLE_OF_LOAD == 0)
    degrees = np.where(angled, angle.convert(load.angle_counts), np.nan)
    # Both were true before the conversion was ready: the angle was read then, and the load
    # has come through the converter's filter.  On the grid they belong to one moment.
    angle_seconds = seconds - np.minimum(load.angle_age_us, 20_000) * 1e-6
    load_seconds = seconds - FILTER_DELAY_CONVERSIONS * period
    nearest = np.clip(np.searchsorted(seconds, grid), 0, len(seconds) - 1)
    return Signals(
        seconds=grid,
        torque=on_grid(grid, load_seconds, np.where(forced, torque, np.nan), period),
        degrees=on_grid(grid, angle_seconds, degrees, period),
        roller_degrees=_roller(grid, placed, roller, roller_facts),
        uncertainty=scale.uncertainty,
        angle_standard_uncertainty=angle.standard_uncertainty_degrees,
        angle_periodic_degrees=angle.periodic_degrees,
        resolvable_seconds=max(SHORTEST_RISE_SECONDS, 2.0 * SETTLING_CONVERSIONS * period),
        extrapolated=(beyond & forced)[nearest],
        saturated=((load.flags & SATURATED) != 0)[nearest],
        statements=(
            *placed.restarts,
            *_losses(seconds, forced, angled, period),
            *_saturation(seconds, (load.flags & SATURATED) != 0, period),
        ),
    )


class _Placement:
    """Puts every boot of the box on one line of time, which starts with the first sample."""

    def __init__(self, load: LoadColumns) -> None:
        steps = np.diff(load.device_us)[np.diff(load.boot_index) == 0]
        steps = steps[steps > 0]
        self.period_seconds = float(np.median(steps)) * 1e-6 if len(steps) else 1.0 / GRID_HZ
        self._shift_us: dict[int, float] = {}
        self.restarts: list[Statement] = []
        boots = list(dict.fromkeys(load.boot_index.tolist()))
        previous_end: tuple[float, int] | None = None
        for boot in boots:
            rows = np.flatnonzero(load.boot_index == boot)
            first, last = int(rows[0]), int(rows[-1])
            start = 0.0
            if previous_end is not None:
                start = previous_end[0] + self._pause(load, previous_end[1], first)
                self.restarts.append(
                    Statement(
                        "restart",
                        f"The box restarted at {start:.1f} s; {start - previous_end[0]:.1f} s were "
                        "not recorded. Nothing is measured across the break.",
                        start,
                        spoils=True,
                    )
                )
            self._shift_us[boot] = start * 1e6 - float(load.device_us[first])
            previous_end = ((float(load.device_us[last]) + self._shift_us[boot]) * 1e-6, last)

    def seconds(self, samples: SampleColumns) -> Array:
        """Time of each sample (n)."""
        shift = np.full(len(samples), np.nan)
        for boot, shift_us in self._shift_us.items():
            shift[samples.boot_index == boot] = shift_us
        return np.asarray((samples.device_us + shift) * 1e-6)

    def _pause(self, load: LoadColumns, before: int, after: int) -> float:
        stamps = load.host_unix_ns[[before, after]]
        if NO_HOST_TIME in stamps:
            return UNKNOWN_PAUSE_SECONDS
        return max(2.0 * GAP_PERIODS * self.period_seconds, float(stamps[1] - stamps[0]) * 1e-9)


def _roller(
    grid: Array, placed: _Placement, roller: SampleColumns | None, facts: Roller | None
) -> Array | None:
    if roller is None or facts is None or len(roller) < 2:
        return None
    seconds = placed.seconds(roller)
    sound = (roller.angle_counts != NO_COUNTS) & (roller.flags & UNSOUND_ANGLE == 0)
    degrees = np.where(sound, roller.angle_counts * facts.degrees_per_count, np.nan)
    known = np.isfinite(seconds)
    period = float(np.median(np.diff(seconds[known]))) if known.sum() > 1 else 1.0
    return on_grid(grid, seconds, degrees, period)


def _saturation(seconds: Array, saturated: NDArray[np.bool_], period: float) -> list[Statement]:
    """Where the converter was at the end of its range for longer than a disturbance."""
    count = int(np.count_nonzero(saturated))
    if count * period <= SATURATED_SECONDS:
        return []
    first = float(seconds[int(np.argmax(saturated))])
    text = (
        f"The load cell's converter was at the end of its range for {count * period:.1f} s: no "
        "torque is given there. A wire may be broken: see `steelyard checkup`."
    )
    return [Statement("saturated", text, first, spoils=True)]


def _missing_text(lost: float, gaps: int, unsound: int) -> str:
    """Such as “12 samples are missing, in 2 gaps; 3 carry no sound reading”."""
    where = "one gap" if gaps == 1 else f"{gaps} gaps"
    missing = f"{lost:.0f} {'sample is' if lost == 1 else 'samples are'} missing, in {where}"
    carry = "carries" if unsound == 1 else "carry"
    if not unsound:
        return missing
    if not lost:
        return f"{unsound} {'sample' if unsound == 1 else 'samples'} {carry} no sound reading"
    return f"{missing}; {unsound} {carry} no sound reading"


def _losses(
    seconds: Array, forced: NDArray[np.bool_], angled: NDArray[np.bool_], period: float
) -> list[Statement]:
    """What is missing from a session, in plain words."""
    found = []
    steps = np.diff(seconds)
    gaps = np.flatnonzero(steps > GAP_PERIODS * period)
    lost = float(np.sum(np.round(steps[gaps] / period) - 1)) if len(gaps) else 0.0
    unsound = int(np.count_nonzero(~forced))
    if lost or unsound:
        found.append(
            Statement(
                "samples-missing",
                f"{_missing_text(lost, len(gaps), unsound)}. One or two in a row are bridged; "
                "what a longer gap touches is not measured.",
                float(seconds[gaps[0]]) if len(gaps) else float(seconds[np.argmin(forced)]),
            )
        )
    dead = float(np.mean(~angled))
    if dead > ANGLE_DEAD_SHARE:
        found.append(
            Statement(
                "angle-dead",
                f"The arm angle is missing in {100 * dead:.0f} % of the samples: no balance, no "
                "station and no repetition can be measured. Force was recorded all the same.",
                spoils=True,
            )
        )
    return found
