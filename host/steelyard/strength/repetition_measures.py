"""What one repetition came to: tempo, range, torque, work, power, smoothness.

Two torques are told apart.  *Stack torque* is what the load cell between arm
and stack carries: weight of the plates, their friction and their inertia.
*Muscle work* adds what the cell does not see: friction of the arm, dry and
viscous, and the residual weight of body and arm from the balance.  The inertia
of body and arm costs nothing over a phase that begins and ends at rest, so work
needs no correction for it; a peak of muscle torque is not given, because it
would.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.strength.balance import BalanceFit
from steelyard.strength.effort import highest_mean
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Measured, root_sum
from steelyard.strength.repetitions import Repetition
from steelyard.strength.restraint import roller_change
from steelyard.strength.signals import GRID_HZ, Signals
from steelyard.strength.smoothness import deepest_dip, spectral_arc_length

Array = NDArray[np.float64]

PEAK_SECONDS: Final = 0.1
EARLY_RATIO: Final = 0.3
LANDING_DEGREES: Final = 3.0
MOVING_RATIO: Final = 0.05
BOUNDARY_DEGREES: Final = 0.2
"""How well it is known where a phase begins and ends: converter delay, filter, noise."""
SLOW_DEGREES_PER_SECOND: Final = 120.0
"""Beyond this peak speed plates fly and stops are hit: muscle work is no longer given."""
LANDED_SECONDS: Final = 0.5


@dataclass(frozen=True)
class PhaseMeasures:
    """One way of a repetition: seconds, torque on the stack, work, power, smoothness.

    ``work`` is positive both ways: done on the stack going up, taken from it
    going down.  ``muscle_work`` None without a balance or when moved fast.  ``early_share`` is the
    share of the time in motion after which 30 % of the way was done (0.3 at even speed,
    0.39 for minimum jerk), ``dip`` the deepest fall of speed in between as a share of its peak.
    """

    seconds: float
    mean_torque: Measured
    peak_torque: Measured
    work: Measured
    muscle_work: Measured | None
    mean_power_watts: float
    peak_speed: float
    smoothness: float
    early_share: float
    dip: float

    @property
    def mean_power(self) -> Measured:
        """Work over the seconds of this phase, in W."""
        return self.work.scaled(1.0 / self.seconds, "W")


@dataclass(frozen=True)
class RepetitionMeasures:
    """One repetition.  Angles in degrees, times in seconds.

    ``whole`` False: samples are missing, and no figure but the count is given
    (``concentric`` and ``eccentric`` None).  ``lightest_ratio`` is the least
    torque about the bottom turn over the load; ``landing_speed`` that of the arm
    3 degrees before the bottom.
    """

    start_seconds: float
    end_seconds: float
    range_degrees: Measured
    start_degrees: float
    top_degrees: float
    concentric: PhaseMeasures | None
    eccentric: PhaseMeasures | None
    turn_seconds: float
    pause_seconds: float
    seconds_under_load: float
    seconds_bridged: float
    lightest_ratio: float
    landing_speed: float
    slip_degrees: float | None

    @property
    def whole(self) -> bool:
        """Whether every sample was there."""
        return self.concentric is not None


def measure_repetition(
    signals: Signals,
    one: Repetition,
    profile: MachineProfile,
    balance: BalanceFit | None,
    load_nm: float,
) -> RepetitionMeasures:
    """Measure one repetition; ``load_nm`` is the typical torque of this set's stack."""
    seconds, torque = signals.seconds, signals.torque
    whole = bool(np.isfinite(signals.bridged_torque[one.whole]).all())
    up = down = None
    if whole:
        up = _phase(signals, one.concentric, 1.0, profile, balance)
        down = _phase(signals, one.eccentric, -1.0, profile, balance)
    landed = max(one.next_start, one.bottom + round(LANDED_SECONDS * GRID_HZ))
    around = slice(max(0, one.bottom - round(0.2 * GRID_HZ)), landed + 1)
    loaded = torque[one.whole] > 0.5 * load_nm
    periodic = signals.angle_periodic_degrees
    return RepetitionMeasures(
        start_seconds=float(seconds[one.start]),
        end_seconds=float(seconds[one.bottom]),
        range_degrees=Measured(
            0.5 * (one.start_degrees + one.bottom_degrees) - one.top_degrees,
            math.hypot(periodic, 0.1),
            "°",
        ),
        start_degrees=one.start_degrees,
        top_degrees=one.top_degrees,
        concentric=up,
        eccentric=down,
        turn_seconds=float(seconds[one.lower] - seconds[one.top]),
        pause_seconds=float(seconds[one.next_start] - seconds[one.bottom]),
        seconds_under_load=float(np.count_nonzero(loaded)) / GRID_HZ,
        seconds_bridged=float(np.count_nonzero(~np.isfinite(torque[one.whole]))) / GRID_HZ,
        lightest_ratio=_lightest(torque[around], load_nm),
        landing_speed=_landing(signals, one),
        slip_degrees=roller_change(signals, float(seconds[one.start]), float(seconds[one.bottom])),
    )


def _phase(
    signals: Signals,
    part: slice,
    direction: float,
    profile: MachineProfile,
    balance: BalanceFit | None,
) -> PhaseMeasures:
    """``direction`` +1 for the way up (extending)."""
    torque, angle = signals.bridged_torque[part], np.radians(signals.quick_degrees[part])
    seconds = (len(torque) - 1) / GRID_HZ
    turned = direction * float(angle[0] - angle[-1])
    work = -direction * float(np.trapezoid(torque, angle))
    mean, (_, peak) = work / turned, highest_mean(torque, PEAK_SECONDS)
    # The measured angle may be off by the sensor's periodic error at either end.
    of_turn = math.radians(signals.angle_periodic_degrees)
    of_work = math.hypot(signals.uncertainty.value(mean) * turned, mean * of_turn)
    of_boundary = mean * math.radians(BOUNDARY_DEGREES) / turned
    along = -direction * np.gradient(np.degrees(angle), 1.0 / GRID_HZ)
    gone = direction * (angle[0] - angle) / turned
    moving = along > MOVING_RATIO * float(along.max())
    early = moving & (gone < EARLY_RATIO)
    return PhaseMeasures(
        seconds,
        Measured(mean, root_sum((signals.uncertainty.value(mean), of_boundary)), "N·m"),
        Measured(peak, signals.uncertainty.value(peak), "N·m"),
        Measured(work, of_work, "J"),
        _muscle_work(work, of_work, angle, direction, profile, balance)
        if float(along.max()) <= SLOW_DEGREES_PER_SECOND
        else None,
        work / seconds,
        float(along.max()),
        spectral_arc_length(along, GRID_HZ),
        float(np.count_nonzero(early)) / max(1, int(np.count_nonzero(moving))),
        deepest_dip(along),
    )


def _muscle_work(
    work: float,
    of_work: float,
    angle: Array,
    direction: float,
    profile: MachineProfile,
    balance: BalanceFit | None,
) -> Measured | None:
    """Work of the muscles between two rests: stack, friction and weight."""
    if balance is None:
        return None
    friction = balance.friction or profile.friction
    turned = abs(float(angle[-1] - angle[0]))
    degrees = np.degrees(angle)
    weight = -direction * float(np.trapezoid(balance.moment.torque(degrees), angle))
    of_weight = float(np.mean(balance.standard_uncertainty(degrees))) * turned
    # Friction of a moving arm is not known better than to a third: it grows with load.
    of_friction = max(friction.standard_uncertainty, 0.3 * abs(friction.value)) * turned
    speed = np.gradient(angle, 1.0 / GRID_HZ)
    drag = abs(float(np.trapezoid(speed, angle)))
    value = work + direction * (friction.value * turned + profile.viscous.value * drag) - weight
    of_drag = profile.viscous.standard_uncertainty * drag
    return Measured(value, root_sum((of_work, of_weight, of_friction, of_drag)), "J")


def _lightest(torque: Array, load_nm: float) -> float:
    known = torque[np.isfinite(torque)]
    return float(known.min()) / load_nm if len(known) and load_nm > 0.0 else math.nan


def _landing(signals: Signals, one: Repetition) -> float:
    """Speed of the arm, in degrees/s, just before the bottom."""
    angle = signals.quick_degrees[one.eccentric]
    away = np.flatnonzero(angle <= one.bottom_degrees - LANDING_DEGREES)
    if not len(away) or away[-1] + 1 >= len(angle):
        return 0.0
    at = int(away[-1])
    return float((angle[at + 1] - angle[at]) * GRID_HZ)
