"""An isometric strength test: stations, efforts, repeats, and the order they come in.

Finds stations (the arm locked) and the efforts at each by themselves; nobody
has to mark anything.  Protocol figures (4 to 5 s of effort, a smooth second of
rise, a minute of rest, three efforts): Brown and Weir 2001, ASEP Procedures
Recommendation I, JEPonline 4(3):1-21.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from steelyard.strength.effort import (
    RELAXED_GAP_SECONDS,
    RELAXED_SEARCH_SECONDS,
    RELAXED_SECONDS,
    Effort,
    EffortLimits,
    Span,
)
from steelyard.strength.effort_measures import measure_effort
from steelyard.strength.lowpass import low_pass, true_runs
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.movement import Spell, still_spells
from steelyard.strength.signals import GRID_HZ, Signals

STATION_SECONDS: Final = 5.0
SAME_STATION_DEGREES: Final = 3.0
EFFORT_FRICTIONS: Final = 3.0
EFFORT_LIMIT_RATIO: Final = 0.03
"""An effort is at least so much of the machine's torque limit, and three times its friction:
unlocking the arm shifts torque by what balance has left."""
UNSEEN_SECONDS: Final = 1.0
"""So much missing torque may hide an effort."""
_JOIN_SECONDS: Final = 0.4
_ONSET_RATIO: Final = 0.02


@dataclass(frozen=True)
class IsometricPlan:
    """Where to test and in what order; times in seconds."""

    stations_degrees: tuple[float, ...]
    efforts: int = 2
    rise_seconds: float = 1.5
    hold_seconds: float = 3.5
    rest_seconds: float = 60.0


def plan_stations(
    profile: MachineProfile,
    client_range: tuple[float, float],
    count: int = 5,
    *,
    seed: int | None = None,
) -> tuple[float, ...]:
    """Stations over the client's own range, at lock positions where the machine has them.

    From the flexed end to the extended one, or in an order drawn with ``seed``.
    """
    low = max(client_range[0], profile.travel_degrees[0])
    high = min(client_range[1], profile.travel_degrees[1])
    wanted = np.linspace(high, low, max(1, count)).tolist() if high > low else []
    inside = [at for at in profile.lock_degrees if low <= at <= high]
    if inside:
        places = np.array(inside)
        wanted = [inside[int(np.argmin(np.abs(places - at)))] for at in wanted]
    stations = list(dict.fromkeys(wanted))
    if seed is not None:
        random.Random(seed).shuffle(stations)
    return tuple(stations)


@dataclass(frozen=True)
class Station:
    """All efforts at one angle, in order of time."""

    degrees: float
    efforts: tuple[Effort, ...]

    @property
    def best(self) -> Effort | None:
        """The valid effort with the highest peak; None where none is valid."""
        valid = [effort for effort in self.efforts if effort.valid]
        return max(valid, key=lambda one: one.peak.value if one.peak else 0.0, default=None)


@dataclass(frozen=True)
class IsometricTest:
    """Stations from the extended to the flexed end, and what there is to say."""

    stations: tuple[Station, ...]
    statements: tuple[Statement, ...]

    @property
    def efforts(self) -> tuple[Effort, ...]:
        """All of them, in order of time."""
        found = [effort for station in self.stations for effort in station.efforts]
        return tuple(sorted(found, key=lambda one: one.span.onset_seconds))


def isometric_test(
    signals: Signals,
    profile: MachineProfile,
    limits: EffortLimits | None = None,
    *,
    relaxed_scatter_nm: float = 0.0,
    start: float = -np.inf,
    end: float = np.inf,
) -> IsometricTest:
    """Find and measure every isometric effort between two times."""
    limits = limits or EffortLimits()
    stands = [
        spell
        for spell in still_spells(signals, STATION_SECONDS)
        if spell.end_seconds > start and spell.start_seconds < end
    ]
    groups: list[list[Effort]] = []
    for stand in stands:
        efforts = [
            measure_effort(signals, span, profile, limits, relaxed_scatter_nm)
            for span in find_efforts(signals, stand, profile)
            if start <= span.onset_seconds < end
        ]
        for effort in efforts:
            _group_for(groups, effort).append(effort)
    stations = sorted(
        (
            Station(float(np.median([one.degrees.value for one in group])), compared(group, limits))
            for group in groups
        ),
        key=lambda station: station.degrees,
    )
    statements = [*_too_short_to_resolve(signals, limits), *_nothing(signals, stands, stations)]
    return IsometricTest(tuple(stations), tuple(statements))


def find_efforts(signals: Signals, stand: Spell, profile: MachineProfile) -> list[Span]:
    """Where torque rose and fell again while the arm stood still."""
    part = signals.between(stand.start_seconds, stand.end_seconds)
    seconds, torque = signals.seconds[part], signals.torque[part]
    smooth = low_pass(torque, 4.0, GRID_HZ)
    known = smooth[np.isfinite(smooth)]
    if len(known) < GRID_HZ:
        return []
    relaxed = float(np.percentile(known, 20.0))
    least = least_effort_nm(profile)
    high = relaxed + max(least, 0.1 * (float(known.max()) - relaxed))
    # A gap inside an effort belongs to it: it must be seen, not cut out.
    filled = np.where(np.isfinite(smooth), smooth, np.inf if np.isnan(smooth).mean() < 0.5 else 0.0)
    spans = []
    previous_end = 0
    for run in _joined(true_runs(filled > high)):
        if run.start == 0 or not np.isfinite(smooth[run]).any():
            continue
        span = _span(seconds, smooth, run, previous_end, relaxed)
        spans.append(span)
        previous_end = run.stop
    return spans


def least_effort_nm(profile: MachineProfile) -> float:
    """The smallest rise of torque that is called an effort."""
    return max(
        EFFORT_FRICTIONS * profile.friction.value, EFFORT_LIMIT_RATIO * profile.torque_limit_nm
    )


def _joined(runs: list[slice]) -> list[slice]:
    joined: list[slice] = []
    for run in runs:
        if joined and run.start - joined[-1].stop < _JOIN_SECONDS * GRID_HZ:
            joined[-1] = slice(joined[-1].start, run.stop)
        else:
            joined.append(run)
    return joined


def _span(
    seconds: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    smooth: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    run: slice,
    previous_end: int,
    relaxed: float,
) -> Span:
    """Onset, end and relaxed torque of the effort whose core is ``run``."""
    peak = float(np.nanmax(smooth[run]))
    spread, gap = round(RELAXED_SEARCH_SECONDS * GRID_HZ), round(RELAXED_GAP_SECONDS * GRID_HZ)
    onset, base, scatter = run.start, relaxed, 0.0
    window = smooth[0:0]
    for _ in range(3):  # the relaxed torque decides the onset, and the onset where it is taken
        level = base + max(_ONSET_RATIO * (peak - base), 3.0 * scatter)
        below = np.flatnonzero(smooth[previous_end : run.start] <= level)
        onset = previous_end + int(below[-1]) if len(below) else previous_end
        window = smooth[max(previous_end, onset - gap - spread) : max(previous_end, onset - gap)]
        # A dip just before belongs to the effort: the quietest stretch is the relaxed one.
        window = _quietest(window[np.isfinite(window)])
        if not len(window):
            break
        base, scatter = float(np.mean(window)), float(np.std(window))
    after = np.flatnonzero(smooth[run.stop :] <= base + 0.1 * (peak - base))
    end = run.stop + int(after[0]) if len(after) else len(smooth) - 1
    return Span(
        float(seconds[onset]),
        float(seconds[min(end, len(seconds) - 1)]),
        base,
        scatter,
        len(window) / GRID_HZ,
    )


def _quietest(
    values: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """The stretch of ``RELAXED_SECONDS`` with the least scatter; all of a shorter one."""
    width = round(RELAXED_SECONDS * GRID_HZ)
    if len(values) <= width:
        return values
    places = np.arange(0, len(values) - width + 1, round(0.1 * GRID_HZ))
    scatter = [float(np.std(values[place : place + width])) for place in places]
    first = int(places[int(np.argmin(scatter))])
    return values[first : first + width]


def _group_for(groups: list[list[Effort]], effort: Effort) -> list[Effort]:
    for group in groups:
        if abs(group[0].degrees.value - effort.degrees.value) < SAME_STATION_DEGREES:
            return group
    groups.append([])
    return groups[-1]


def compared(efforts: Sequence[Effort], limits: EffortLimits) -> tuple[Effort, ...]:
    """Mark an effort that falls short of a repeat at the same station by too much."""
    valid = [effort for effort in efforts if effort.valid and effort.peak is not None]
    best = max((one.peak.value for one in valid if one.peak), default=0.0)
    marked = []
    for one in efforts:
        effort = one
        if one in valid and one.peak is not None:
            short = 1.0 - one.peak.value / best
            if short > limits.repeat_ratio:
                text = (
                    f"It falls {100 * short:.0f} % short of another effort at this station; "
                    f"{100 * limits.repeat_ratio:.0f} % are allowed."
                )
                effort = one.with_statement(
                    Statement("inconsistent", text, one.span.onset_seconds, spoils=True)
                )
        marked.append(effort)
    return tuple(marked)


def _too_short_to_resolve(signals: Signals, limits: EffortLimits) -> list[Statement]:
    short = [window for window in limits.rise_seconds if window < signals.resolvable_seconds - 1e-9]
    asked = f" Asked for and not given: {', '.join(f'{1e3 * w:.0f}' for w in short)} ms."
    return [
        Statement(
            "rise-not-resolved",
            f"Rise over less than {1e3 * signals.resolvable_seconds:.0f} ms is not given: the "
            f"converter settles in four conversions.{asked if short else ''}",
        )
    ]


def _unseen_seconds(signals: Signals, stand: Spell) -> float:
    torque = signals.torque[signals.between(stand.start_seconds, stand.end_seconds)]
    return float(np.count_nonzero(~np.isfinite(torque))) / GRID_HZ


def _nothing(
    signals: Signals, stands: Sequence[Spell], stations: Sequence[Station]
) -> list[Statement]:
    if stations:
        return []
    if not stands:
        return [
            Statement(
                "no-station",
                f"The arm never stood still for {STATION_SECONDS:g} s: no isometric test is in "
                "this recording.",
            )
        ]
    unseen = sum(_unseen_seconds(signals, stand) for stand in stands)
    if unseen > UNSEEN_SECONDS:
        return [
            Statement(
                "effort-not-seen",
                f"The arm stood still {len(stands)} times, but {unseen:.0f} s of torque are "
                "missing there: whether anybody pushed is not known. No strength is given.",
                spoils=True,
            )
        ]
    largest = 0.0
    for stand in stands:
        smooth = low_pass(
            signals.torque[signals.between(stand.start_seconds, stand.end_seconds)], 4.0, GRID_HZ
        )
        known = smooth[np.isfinite(smooth)]
        largest = max(largest, float(np.ptp(known)) if len(known) else 0.0)
    return [
        Statement(
            "no-effort",
            f"The arm stood still {len(stands)} times and nobody pushed: torque changed by "
            f"{largest:.1f} N·m at most. No strength is given.",
        )
    ]
