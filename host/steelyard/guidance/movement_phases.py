"""Where in a repetition the arm is, from its angle alone, at once.

Only guides; repetitions are counted and measured by ``strength`` once they are
over.  A turn counts here, as there, when the arm comes back by a good part of
the client's range.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from steelyard.strength.repetitions import LEAST_SWING_DEGREES, SWING_RATIO

REST_SPEED: Final = 2.5
"""Degrees/s below which the arm is said to stand."""
LEAVING_DEGREES: Final = 2.0


class Phase(Enum):
    """Of a repetition."""

    READY = "ready"
    CONCENTRIC = "concentric"
    TURN_UP = "turn up"
    ECCENTRIC = "eccentric"
    TURN_DOWN = "turn down"
    DONE = "done"


@dataclass(frozen=True)
class Moment:
    """Seconds of the visit, degrees, degrees/s (flexing positive), torque where known."""

    seconds: float
    degrees: float
    speed: float
    torque_nm: float | None


class MovementPhases:
    """Follows the arm moment by moment.

    ``start``: where and when this repetition began; ``top_degrees`` its least angle so
    far; ``completed_total`` counts turns at the flexed end after a way there and back.
    """

    def __init__(self, range_degrees: float) -> None:
        self.phase = Phase.READY
        self.since_seconds: float | None = None
        self.start: Moment | None = None
        self.way_start: Moment | None = None
        self.top_degrees = 0.0
        self.completed_total = 0
        self._swing = max(LEAST_SWING_DEGREES, SWING_RATIO * range_degrees)
        self._rest: Moment | None = None
        self._lowest: Moment | None = None

    def follow(self, now: Moment) -> bool:
        """Take in a moment; True when the phase changed."""
        if self.since_seconds is None:
            self.since_seconds = now.seconds
        phase = {
            Phase.READY: self._at_bottom,
            Phase.TURN_DOWN: self._at_bottom,
            Phase.CONCENTRIC: self._going_up,
            Phase.TURN_UP: self._at_top,
            Phase.ECCENTRIC: self._going_down,
            Phase.DONE: self._done,
        }[self.phase](now)
        if phase is self.phase:
            return False
        self.phase, self.since_seconds = phase, now.seconds
        return True

    def _at_bottom(self, now: Moment) -> Phase:
        rest = self._rest
        if rest is None or now.degrees >= rest.degrees or abs(now.speed) < REST_SPEED:
            rest = self._rest = now
        if now.speed < -REST_SPEED and rest.degrees - now.degrees > LEAVING_DEGREES:
            self.start = self.way_start = rest
            self.top_degrees, self._rest = now.degrees, None
            return Phase.CONCENTRIC
        return self.phase

    def _done(self, now: Moment) -> Phase:
        del now
        return Phase.DONE

    def _going_up(self, now: Moment) -> Phase:
        self.top_degrees = min(self.top_degrees, now.degrees)
        if now.speed > -REST_SPEED:
            self._lowest = now
            return Phase.TURN_UP
        return Phase.CONCENTRIC

    def _at_top(self, now: Moment) -> Phase:
        self.top_degrees = min(self.top_degrees, now.degrees)
        if now.speed < -REST_SPEED:
            return Phase.CONCENTRIC
        if abs(now.speed) < REST_SPEED:
            self._lowest = now
        if now.speed > REST_SPEED and now.degrees > self.top_degrees + LEAVING_DEGREES:
            self.way_start = self._lowest
            return Phase.ECCENTRIC
        return Phase.TURN_UP

    def _going_down(self, now: Moment) -> Phase:
        if now.speed < -REST_SPEED and not self._came_back(now):
            return Phase.CONCENTRIC
        if now.speed < REST_SPEED and self._came_back(now):
            self.completed_total += 1
            self._rest = now
            return Phase.TURN_DOWN
        return Phase.ECCENTRIC

    def _came_back(self, now: Moment) -> bool:
        return now.degrees - self.top_degrees > self._swing
