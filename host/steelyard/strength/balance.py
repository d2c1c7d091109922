"""How far body, arm and counterweight are from balance, from slow sweeps or relaxed holds.

With the client relaxed the load cell carries, at arm angle θ and moving in
direction d (+1 extending, -1 flexing):

    T = -A sin(θ - θ0) - f d          (statics; dry friction, Coulomb's law)

linear in A cos θ0, A sin θ0 and f, so ordinary least squares give them.
Breathing makes neighbouring residuals alike: their covariance is scaled by the
number of samples that say the same thing twice, from the residuals' own
autocorrelation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from steelyard.calibration.least_squares import solve
from steelyard.errors import AnalysisError
from steelyard.strength.gravity_moment import GravityMoment
from steelyard.strength.measured import Measured, Statement, rectangular, root_sum
from steelyard.strength.movement import Spell, Sweep
from steelyard.strength.signals import GRID_HZ, Signals

Array = NDArray[np.float64]

DETERMINED: Final = 3.0
"""A top dead centre is given when the moment is so many standard uncertainties large."""
HOLD_SPAN_DEGREES: Final = 15.0
LARGEST_LAG_SECONDS: Final = 8.0


@dataclass(frozen=True)
class BalanceFit:
    """The residual moment of body, arm and counterweight together.

    ``covariance`` (2, 2) is that of ``moment``'s p and q in (N·m)², calibration
    and angle included.  ``friction`` is None where only holds were there.
    ``low_degrees`` to ``high_degrees`` is the range that was seen.
    """

    moment: GravityMoment
    covariance: tuple[tuple[float, float], tuple[float, float]]
    friction: Measured | None
    scatter_nm: float
    low_degrees: float
    high_degrees: float
    statements: tuple[Statement, ...] = ()

    def residual(self, angle_degrees: float) -> Measured:
        """Residual moment at an angle."""
        row = GravityMoment.rows(angle_degrees)
        variance = float((row @ np.array(self.covariance) @ row.T)[0, 0])
        return Measured(float(self.moment.torque(angle_degrees)[0]), math.sqrt(variance), "N·m")

    def standard_uncertainty(self, angle_degrees: ArrayLike) -> Array:
        """Standard uncertainty of the residual moment at angles (n), in N·m."""
        rows = GravityMoment.rows(angle_degrees)
        variance = np.einsum("ni,ij,nj->n", rows, np.array(self.covariance), rows)
        return np.asarray(np.sqrt(variance))

    def worst(self) -> tuple[float, Measured]:
        """Angle and size of the largest residual moment within the range seen."""
        angles = np.linspace(self.low_degrees, self.high_degrees, 101)
        at = float(angles[int(np.argmax(np.abs(self.moment.torque(angles))))])
        return at, self.residual(at)

    @property
    def amplitude(self) -> Measured:
        """A = m g d of what is left."""
        return amplitude_of(self.moment, np.array(self.covariance))

    @property
    def top_degrees(self) -> Measured | None:
        """Top dead centre of what is left; None where so little is left that it has none."""
        return top_of(self.moment, np.array(self.covariance))


def amplitude_of(moment: GravityMoment, covariance: Array) -> Measured:
    """Amplitude in N·m, by propagation (GUM eq. 13)."""
    size = moment.amplitude_nm
    slope = np.array([moment.p, moment.q]) / size if size else np.array([1.0, 0.0])
    return Measured(size, math.sqrt(float(slope @ covariance @ slope)), "N·m")


def top_of(moment: GravityMoment, covariance: Array) -> Measured | None:
    """Top dead centre in degrees; None when the moment hardly differs from none."""
    amplitude = amplitude_of(moment, covariance)
    if amplitude.value < DETERMINED * amplitude.standard_uncertainty:
        return None
    slope = np.array([-moment.q, moment.p]) / amplitude.value**2
    spread = math.degrees(math.sqrt(float(slope @ covariance @ slope)))
    return Measured(moment.top_degrees, spread, "°")


def fit_sweeps(signals: Signals, sweeps: Sequence[Sweep]) -> BalanceFit:
    """Fit moment and friction to slow sweeps in both directions.

    Raises AnalysisError when a direction is missing: friction and weight could
    not be told apart.
    """
    directions = {sweep.direction for sweep in sweeps}
    if directions != {1, -1}:
        raise AnalysisError(
            f"{len(sweeps)} slow sweeps were found, not at least one each way: friction cannot be "
            "told from weight.",
            "Lead the relaxed client slowly (about 5 degrees a second) to one end and back.",
        )
    angles, torques, ways = [], [], []
    for sweep in sweeps:
        part = signals.between(sweep.start_seconds, sweep.end_seconds)
        sound = np.isfinite(signals.torque[part]) & np.isfinite(signals.smooth_degrees[part])
        angles.append(signals.smooth_degrees[part][sound])
        torques.append(signals.torque[part][sound])
        ways.append(np.full(int(sound.sum()), float(-sweep.direction)))
    angle, torque, way = map(np.concatenate, (angles, torques, ways))
    fit = solve(np.column_stack([GravityMoment.rows(angle), way]), torque)
    repeats = _samples_alike(fit.residuals)
    spread = fit.covariance * repeats
    moment = GravityMoment(float(fit.estimates[0]), float(fit.estimates[1]))
    systematic = _systematic(signals, moment, angle, fit.projector[:2])
    friction = Measured(float(fit.estimates[2]), math.sqrt(float(spread[2, 2])), "N·m")
    return BalanceFit(
        moment,
        _pair(spread[:2, :2] + systematic),
        friction,
        fit.residual_sd,
        float(angle.min()),
        float(angle.max()),
    )


def fit_holds(signals: Signals, holds: Sequence[Spell], friction: Measured) -> BalanceFit:
    """Fit the moment to relaxed holds; friction may hide in each, either way.

    Raises AnalysisError with fewer than three holds over less than 15 degrees.
    """
    angle = np.array([hold.degrees for hold in holds])
    if len(holds) < 3 or float(np.ptp(angle)) < HOLD_SPAN_DEGREES:
        raise AnalysisError(
            f"{len(holds)} relaxed holds do not determine weight and top dead centre.",
            "Take at least three, spread over most of the range; a slow sweep is better.",
        )
    parts = [signals.torque[signals.between(h.start_seconds, h.end_seconds)] for h in holds]
    torque = np.array([float(np.nanmean(part)) for part in parts])
    fit = solve(GravityMoment.rows(angle), torque)
    moment = GravityMoment(float(fit.estimates[0]), float(fit.estimates[1]))
    hidden = rectangular(abs(friction.value) + 2.0 * friction.standard_uncertainty)
    each = max(hidden, fit.residual_sd)
    covariance = each**2 * fit.inverse_normal + _systematic(signals, moment, angle, fit.projector)
    return BalanceFit(
        moment,
        _pair(covariance),
        None,
        fit.residual_sd,
        float(angle.min()),
        float(angle.max()),
        (
            Statement(
                "friction-assumed",
                f"From holds alone friction is not seen: each may hide ± {friction.value:.1f} N·m, "
                "which is in the uncertainty.",
            ),
        ),
    )


def _samples_alike(residuals: Array) -> float:
    """How many samples say the same thing: 1 + 2 Σ ρ up to where ρ first meets zero."""
    size = 1 << (2 * len(residuals)).bit_length()
    power = np.abs(np.fft.rfft(residuals - residuals.mean(), size)) ** 2
    lags = min(len(residuals) - 1, round(LARGEST_LAG_SECONDS * GRID_HZ))
    covariance = np.fft.irfft(power, size)[: lags + 1]
    if covariance[0] <= 0.0:
        return 1.0
    correlation = covariance / covariance[0]
    negative = np.flatnonzero(correlation <= 0.0)
    end = int(negative[0]) if len(negative) else lags + 1
    return float(1.0 + 2.0 * np.sum(correlation[1:end]))


def _systematic(signals: Signals, moment: GravityMoment, angle: Array, projector: Array) -> Array:
    """What calibration and angle do to p and q alike in all samples; covariance (2, 2).

    Zero of the load cell: a constant, as far as the fit mistakes it for weight.
    Scale: in proportion.  Zero of the angle: turns the moment's vector.
    """
    vector = np.array([moment.p, moment.q])
    zero = projector @ np.ones(len(angle)) * signals.uncertainty.value(0.0)
    scale = vector / max(moment.amplitude_nm, 1e-9)
    scale = scale * signals.uncertainty.change(moment.amplitude_nm)
    off = root_sum(
        (signals.angle_standard_uncertainty, signals.angle_periodic_degrees / math.sqrt(2.0))
    )
    turned = np.array([-moment.q, moment.p]) * math.radians(off)
    return np.asarray(sum(np.outer(part, part) for part in (zero, scale, turned)))


def _pair(matrix: Array) -> tuple[tuple[float, float], tuple[float, float]]:
    return (
        (float(matrix[0, 0]), float(matrix[0, 1])),
        (float(matrix[1, 0]), float(matrix[1, 1])),
    )
