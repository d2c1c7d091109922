"""Slow repetitions found in the angle: concentric, turn, eccentric, turn.

Turning points are found by size: the arm has to come back by a good part of
the client's range before a turn counts as one, so pauses, tremor and noise make
no repetitions, and a partial one still is one.  A phase begins and ends where
speed rises from and falls to next to nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.strength.lowpass import finite_runs
from steelyard.strength.signals import GRID_HZ, Signals

Array = NDArray[np.float64]

SWING_RATIO: Final = 0.2
"""The arm must go and come back by so much of the client's range (common practice, no source)."""
LEAST_SWING_DEGREES: Final = 6.0
LOADED_RATIO: Final = 0.4
SET_PAUSE_SECONDS: Final = 20.0
_COARSE: Final = 4
_NEAR_RATIO: Final = 0.03
_NEAR_DEGREES: Final = 1.0
_REST_RATIO: Final = 0.04
_REST_SPEED: Final = 2.0
_CUT_SPEED: Final = 4.0
"""Degrees/s: at the turn itself the arm is slower, even rushed."""
_CUT_SAMPLES: Final = 10
_EDGE_SAMPLES: Final = 4
"""Speed at a cut is taken over so many, without those at the very edge: a filter leaves them their
noise, for nothing is known of what lies beyond."""


@dataclass(frozen=True)
class Repetition:
    """One repetition as places on the grid, each the first point of what it begins.

    ``start`` concentric, ``top`` the turn after it, ``lower`` eccentric,
    ``bottom`` the turn after that, ``next_start`` where that turn ends.
    """

    start: int
    top: int
    lower: int
    bottom: int
    next_start: int
    start_degrees: float
    top_degrees: float
    bottom_degrees: float

    @property
    def concentric(self) -> slice:
        """Grid points of the way up."""
        return slice(self.start, self.top + 1)

    @property
    def eccentric(self) -> slice:
        """Grid points of the way down."""
        return slice(self.lower, self.bottom + 1)

    @property
    def whole(self) -> slice:
        """From the start to the end of the turn at the bottom."""
        return slice(self.start, self.next_start)


def find_repetitions(
    signals: Signals,
    client_range_degrees: float,
    load_nm: float,
    start: float = -np.inf,
    end: float = np.inf,
) -> list[Repetition]:
    """Every repetition under load between two times.

    ``load_nm``: torque of the stack chosen, or of its lightest plate; what is
    lifted with less than a part of it is an arm led by hand.
    """
    swing = max(LEAST_SWING_DEGREES, SWING_RATIO * client_range_degrees)
    part = signals.between(start, end)
    angle = signals.quick_degrees
    found: list[Repetition] = []
    for run in finite_runs(angle[part]):
        offset = part.start + run.start
        values = angle[offset : part.start + run.stop]
        turns = [offset + at for at in turning_points(values, swing)]
        found += _repetitions(angle, turns, values, offset)
    return [one for one in found if _loaded(signals, one, load_nm)]


def turning_points(angle: Array, swing: float) -> list[int]:
    """Places of alternating ends of travel (n), each more than ``swing`` from the one before."""
    coarse = angle[::_COARSE]
    low = high = 0
    direction = 0
    found: list[int] = []
    for index, value in enumerate(coarse.tolist()):
        if value < coarse[low]:
            low = index
        if value > coarse[high]:
            high = index
        if direction >= 0 and value < coarse[high] - swing:
            found.append(high)
            direction, low = -1, index
        elif direction <= 0 and value > coarse[low] + swing:
            found.append(low)
            direction, high = 1, index
    if direction > 0:
        found.append(high)
    elif direction < 0:
        found.append(low)
    return [_refined(angle, place * _COARSE) for place in found]


def _refined(angle: Array, place: int) -> int:
    """The true extreme near a coarse one."""
    first = max(0, place - _COARSE)
    near = angle[first : place + _COARSE + 1]
    if angle[place] >= near.max() - 1e-12 or near.max() - angle[place] < angle[place] - near.min():
        return first + int(np.argmax(near))
    return first + int(np.argmin(near))


def _repetitions(angle: Array, turns: list[int], values: Array, offset: int) -> list[Repetition]:
    """Whole ones: flexed, extended, flexed again."""
    speed = np.gradient(values, 1.0 / GRID_HZ) if len(values) > 1 else np.zeros(len(values))
    found: list[Repetition] = []
    for index in range(len(turns) - 2):
        bottom, top, next_bottom = turns[index : index + 3]
        if angle[top] > angle[bottom]:
            continue
        if _cut_in(values, bottom - offset) or _cut_off(values, next_bottom - offset):
            continue
        start, up = _phase(angle, speed, offset, bottom, top)
        down, end = _phase(angle, speed, offset, top, next_bottom)
        following = turns[index + 3] if index + 3 < len(turns) else None
        next_start = end
        if following is not None:
            next_start = _phase(angle, speed, offset, next_bottom, following)[0]
        found.append(
            Repetition(
                start,
                up,
                max(up, down),
                end,
                max(end, next_start),
                float(angle[bottom]),
                float(angle[top]),
                float(angle[next_bottom]),
            )
        )
    return found


def _cut_in(values: Array, bottom: int) -> bool:
    """The samples begin (after a restart, a lost link) while the arm moves up already."""
    if bottom > _COARSE:
        return False
    return _speed(values[_EDGE_SAMPLES : _EDGE_SAMPLES + _CUT_SAMPLES]) < -_CUT_SPEED


def _cut_off(values: Array, bottom: int) -> bool:
    """The samples end (a restart, the end of the recording) while the arm still moves down."""
    if bottom < len(values) - 1 - _COARSE:
        return False
    last = values[-_CUT_SAMPLES - _EDGE_SAMPLES : -_EDGE_SAMPLES]
    return len(last) < 2 or _speed(last) > _CUT_SPEED


def _speed(values: Array) -> float:
    """Degrees/s from the first to the last."""
    return float(values[-1] - values[0]) * GRID_HZ / (len(values) - 1)


def _phase(angle: Array, speed: Array, offset: int, first: int, last: int) -> tuple[int, int]:
    """Where movement from one turning point to the next begins and ends."""
    part = angle[first : last + 1]
    toward = np.sign(part[-1] - part[0])
    near = max(_NEAR_DEGREES, _NEAR_RATIO * abs(part[-1] - part[0]))
    leaving = np.flatnonzero(np.abs(part - part[0]) <= near)
    arriving = np.flatnonzero(np.abs(part - part[-1]) <= near)
    begin, end = int(leaving[-1]), int(arriving[0])
    along = toward * speed[first - offset : last + 1 - offset]
    slow = max(_REST_SPEED, _REST_RATIO * float(along.max()))
    while begin > 0 and along[begin] > slow:
        begin -= 1
    while end < len(part) - 1 and along[end] > slow:
        end += 1
    return first + begin, first + max(begin + 1, end)


def _loaded(signals: Signals, one: Repetition, load_nm: float) -> bool:
    torque = signals.torque[one.concentric]
    known = torque[np.isfinite(torque)]
    return bool(len(known)) and float(np.median(known)) >= LOADED_RATIO * load_nm


def into_sets(signals: Signals, found: Sequence[Repetition]) -> list[list[Repetition]]:
    """Repetitions that follow each other without a long rest."""
    sets: list[list[Repetition]] = []
    for one in found:
        if sets:
            pause = signals.seconds[one.start] - signals.seconds[sets[-1][-1].bottom]
            if pause <= SET_PAUSE_SECONDS:
                sets[-1].append(one)
                continue
        sets.append([one])
    return sets
