"""Where the arm stood still and where it was swept slowly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.strength.lowpass import true_runs
from steelyard.strength.signals import GRID_HZ, Signals

STILL_DEGREES_PER_SECOND: Final = 2.0
JOINED_PAUSE_SECONDS: Final = 1.0
"""A jolt shorter than this, which ends where it began, does not end a stand."""
SAME_PLACE_DEGREES: Final = 2.5
SWEEP_SPEEDS: Final = (1.5, 9.0)
"""Degrees/s of a slow passive sweep (common practice, no source)."""
SWEEP_SPAN_DEGREES: Final = 15.0
_SWEEP_TRIM_SECONDS: Final = 0.5
_JOLT_SECONDS: Final = 0.5


@dataclass(frozen=True)
class Spell:
    """A stretch of time; ``degrees`` is the median angle."""

    start_seconds: float
    end_seconds: float
    degrees: float

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return self.end_seconds - self.start_seconds


@dataclass(frozen=True)
class Sweep(Spell):
    """The arm led slowly one way; ``direction`` is +1 when extending, -1 when flexing."""

    direction: int
    from_degrees: float
    to_degrees: float


def still_spells(signals: Signals, shortest_seconds: float = 3.0) -> list[Spell]:
    """Stretches in which the arm stood still, in order of time.

    Two that a short jolt parts are one: an abrupt effort makes the lock give.
    """
    quiet = np.abs(signals.speed) < STILL_DEGREES_PER_SECOND
    joined: list[slice] = []
    for run in true_runs(quiet):
        if joined and _same_stand(signals, joined[-1], run):
            joined[-1] = slice(joined[-1].start, run.stop)
        else:
            joined.append(run)
    spells = [_spell(signals, run) for run in joined]
    return [spell for spell in spells if spell.seconds >= shortest_seconds]


def _same_stand(signals: Signals, first: slice, second: slice) -> bool:
    pause = (second.start - first.stop) / GRID_HZ
    between = signals.degrees[first.stop - 1 : second.start + 1]
    near = min(first.stop - first.start, second.stop - second.start, 40)
    before = np.median(signals.degrees[first.stop - near : first.stop])
    after = np.median(signals.degrees[second.start : second.start + near])
    return bool(
        pause <= JOINED_PAUSE_SECONDS
        and np.isfinite(between).all()
        and abs(after - before) < SAME_PLACE_DEGREES
    )


def slow_sweeps(signals: Signals, span_degrees: float = SWEEP_SPAN_DEGREES) -> list[Sweep]:
    """Stretches in which the arm moved slowly and steadily one way over a good range.

    The ends, where it starts and stops, are left out.
    """
    speed = signals.speed
    slowest, fastest = SWEEP_SPEEDS
    found = []
    for direction in (1, -1):
        toward = -direction * speed
        steady: NDArray[np.bool_] = (toward >= slowest) & (toward <= fastest)
        for run in true_runs(steady):
            trim = round(_SWEEP_TRIM_SECONDS * GRID_HZ)
            part = slice(run.start + trim, run.stop - trim)
            if part.stop - part.start < GRID_HZ:
                continue
            angle = signals.smooth_degrees[part]
            if abs(angle[-1] - angle[0]) >= span_degrees:
                spell = _spell(signals, part)
                found.append(
                    Sweep(
                        spell.start_seconds,
                        spell.end_seconds,
                        spell.degrees,
                        direction,
                        float(angle[0]),
                        float(angle[-1]),
                    )
                )
    return sorted(found, key=lambda sweep: sweep.start_seconds)


def _spell(signals: Signals, run: slice) -> Spell:
    return Spell(
        float(signals.seconds[run.start]),
        float(signals.seconds[run.stop - 1]),
        float(np.nanmedian(signals.degrees[run])),
    )
