"""Torque about the axis of the movement arm, from one load channel of a recording.

The load cell feels the arm at a fixed distance from the axis, so torque is
force times that distance.  It is the torque on the arm as it is: the weight of
arm and body is in it until the machine has been balanced.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.soundness import UNSOUND_ANGLE_OF_LOAD, UNSOUND_LOAD

from steelyard.calibration import ForceCalibration
from steelyard.recording.reader import LoadSamples

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MomentArm:
    """Distance of the load cell's line of force from the axis; standard uncertainty."""

    length_metres: float
    standard_uncertainty_metres: float


@dataclass(frozen=True)
class AngleReference:
    """One angle of the arm that is known, and what the sensor gave there.

    A full turn is ``counts_per_turn`` counts; the arm's angle grows with the
    counts.  Differences of angle need only the turn, so ``standard_uncertainty_degrees``
    is that of the zero: common to all angles.
    """

    counts: float
    degrees: float
    standard_uncertainty_degrees: float
    counts_per_turn: int

    def degrees_at(self, counts: NDArray[np.int32]) -> Array:
        """Arm angles (n,) in degrees, within half a turn of the reference."""
        turn = self.counts_per_turn
        away = np.asarray(counts, np.float64) - self.counts
        wrapped = (away + turn / 2) % turn - turn / 2
        return self.degrees + wrapped * (360.0 / turn)


@dataclass(frozen=True)
class ArmTorque:
    """One load channel as torque and angle; all columns have shape (n,).

    Samples without a sound force or angle have not-a-number in its place.
    ``standard_uncertainty`` is that of one sample, in N·m.
    """

    seconds: Array
    degrees: Array
    torque_newton_metres: Array
    standard_uncertainty: Array
    extrapolated: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.seconds)


def arm_torque(
    samples: LoadSamples, calibration: ForceCalibration, arm: MomentArm, angle: AngleReference
) -> ArmTorque:
    """Torque T = F r and its standard uncertainty, from raw counts.

    u(T)² = (r u(F))² + (F u(r))² (GUM 5.1.2: independent inputs).  Time starts
    at the first sample and runs by the box's clock within its first boot.
    """
    forced = (samples.load_counts != NO_COUNTS) & (samples.flags & UNSOUND_LOAD == 0)
    angled = (samples.angle_counts != NO_COUNTS) & (samples.flags & UNSOUND_ANGLE_OF_LOAD == 0)
    readings = calibration.force(np.where(forced, samples.load_counts, 0).astype(np.float64))
    newtons = np.where(forced, readings.force_newtons, np.nan)
    spread = np.hypot(
        arm.length_metres * readings.standard_uncertainty_newtons,
        newtons * arm.standard_uncertainty_metres,
    )
    return ArmTorque(
        (samples.device_us - samples.device_us[0]) * 1e-6 if len(samples) else np.empty(0),
        np.where(angled, angle.degrees_at(samples.angle_counts), np.nan),
        newtons * arm.length_metres,
        np.where(forced, spread, np.nan),
        readings.extrapolated & forced,
    )


@dataclass(frozen=True)
class PeakTorque:
    """The highest mean torque over a window: value, uncertainty and where it was."""

    torque_newton_metres: float
    standard_uncertainty: float
    seconds: float
    degrees: float
    extrapolated: bool


def peak_torque(
    torque: ArmTorque,
    window_seconds: float = 0.5,
    low_degrees: float = -360.0,
    high_degrees: float = 360.0,
) -> PeakTorque | None:
    """Find the highest mean over ``window_seconds`` with the arm between two angles.

    Every sample of the window must be sound and the arm inside the limits all
    along.  None when there is no such window.  The uncertainty is that of the
    calibration at that torque (its parts do not average out), so averaging noise
    away is not claimed for it.
    """
    good = (
        np.isfinite(torque.torque_newton_metres)
        & (torque.degrees >= low_degrees)
        & (torque.degrees <= high_degrees)
    )
    if len(torque) < 2:
        return None
    period = float(np.median(np.diff(torque.seconds)))
    width = max(1, round(window_seconds / period))
    if len(torque) < width:
        return None
    values = np.where(good, torque.torque_newton_metres, 0.0)
    sums = np.cumsum(np.concatenate([[0.0], values]))
    bad = np.cumsum(np.concatenate([[0], ~good]))
    means = (sums[width:] - sums[:-width]) / width
    usable = (bad[width:] == bad[:-width]) & (
        torque.seconds[width - 1 :] - torque.seconds[: len(means)] < 1.2 * window_seconds
    )
    if not usable.any():
        return None
    first = int(np.argmax(np.where(usable, means, -np.inf)))
    window = slice(first, first + width)
    return PeakTorque(
        float(means[first]),
        float(np.mean(torque.standard_uncertainty[window])),
        float(torque.seconds[first]),
        float(np.mean(torque.degrees[window])),
        bool(torque.extrapolated[window].any()),
    )
