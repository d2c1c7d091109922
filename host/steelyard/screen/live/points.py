"""Live points: torque against angle, each with how far it may be trusted.

A point is made from one load sample of the stream.  What is not a good value
is never passed off as one: `Mark` says what is the matter with it, and the
screens draw it differently.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from enum import IntFlag
from itertools import islice
from typing import Any, Final, NamedTuple

import numpy as np

from steelyard.strength.machine_profile import MachineProfile

KEPT_POINTS: Final = 4096
"""Some 45 s at the fastest rate of the amplifier: more than any window that is shown."""
NEAR_ZERO_SHARE: Final = 0.05
"""Of the machine's limit: within it a reading below the empty arm's zero is just about zero.

Why: weights only pull one way, so the least push the other way is beyond the calibration, and a
machine that is not balanced yet pushes a little either way."""
SATURATED: Final = frozenset({"saturated_high", "saturated_low"})


class Mark(IntFlag):
    """What is wrong or notable about a point; drawn, and said."""

    FLAGGED = 1
    """No sound load: the value is missing."""
    SATURATED = 2
    """The converter was at its end: the true load is beyond what can be shown."""
    UNCALIBRATED = 4
    """Raw counts; there is no calibration in force."""
    EXTRAPOLATED = 8
    """Beyond what was calibrated."""
    NO_ANGLE = 16
    """The angle is missing; the load is not."""
    OVERLOAD = 32
    """Beyond the torque that the machine's profile allows."""
    UNTIMED = 64
    """Stamped on arrival, because the clocks have not been compared yet."""


class Point(NamedTuple):
    """One load sample as it is shown.

    ``unix_us`` is when it was measured; ``value`` is N·m, or counts where
    `Mark.UNCALIBRATED` is set; None where there is no sound reading.
    """

    number: int
    unix_us: int
    degrees: float | None
    value: float | None
    mark: Mark


class PointMaker:
    """Makes points of one machine's samples."""

    def __init__(self, profile: MachineProfile) -> None:
        self.profile = profile
        self._made = 0

    def point(self, sample: Mapping[str, Any], now_unix_us: int) -> Point | None:
        """The point of a sample in the stream's form; None for other channels' samples."""
        if sample["channel"] != self.profile.channels.load:
            return None
        value, mark = self._value(sample)
        degrees = self._degrees(sample)
        if degrees is None:
            mark |= Mark.NO_ANGLE
        unix_us = sample["unix_us"]
        if unix_us is None:
            unix_us, mark = now_unix_us, mark | Mark.UNTIMED
        self._made += 1
        return Point(self._made, unix_us, degrees, value, mark)

    def _value(self, sample: Mapping[str, Any]) -> tuple[float | None, Mark]:
        mark = Mark(0)
        if not SATURATED.isdisjoint(sample["flags"]):
            mark |= Mark.SATURATED
        if not sample["sound"]:
            return None, mark | Mark.FLAGGED
        if sample.get("extrapolated"):
            mark |= Mark.EXTRAPOLATED
        torque = _torque(sample, self.profile.moment_arm.length_metres)
        if torque is None:
            return float(sample["counts"]), mark | Mark.UNCALIBRATED
        if abs(torque) < NEAR_ZERO_SHARE * self.profile.torque_limit_nm:
            mark &= ~Mark.EXTRAPOLATED
        if abs(torque) > self.profile.torque_limit_nm:
            mark |= Mark.OVERLOAD
        return torque, mark

    def _degrees(self, sample: Mapping[str, Any]) -> float | None:
        calibrated = sample.get("arm_angle_degrees")
        if calibrated is not None:
            return float(calibrated)
        counts = sample.get("arm_angle_counts")
        if counts is None:
            return None
        return float(self.profile.angle_zero.degrees_at(np.array([counts], np.int32))[0])


def _torque(sample: Mapping[str, Any], arm_metres: float) -> float | None:
    """N·m about the axis: measured as such, or force times moment arm."""
    torque = sample.get("torque_newton_metres")
    if torque is not None:
        return float(torque)
    force = sample.get("force_newtons")
    return None if force is None else float(force) * arm_metres


class Track:
    """The latest points, numbered without gaps."""

    def __init__(self, kept: int = KEPT_POINTS) -> None:
        self._points: deque[Point] = deque(maxlen=kept)

    def __len__(self) -> int:
        return len(self._points)

    @property
    def last(self) -> Point | None:
        """The latest point."""
        return self._points[-1] if self._points else None

    def add(self, point: Point) -> None:
        """Take a point; the oldest one goes when there is no room."""
        self._points.append(point)

    def after(self, number: int, most: int = KEPT_POINTS) -> list[Point]:
        """The points after that number, at most the latest ``most``, oldest first."""
        last = self.last
        if last is None:
            return []
        wanted = min(most, last.number - number, len(self._points))
        return list(islice(reversed(self._points), max(0, wanted)))[::-1]
