"""Torque against angle from the best efforts of a test: band, area, ratio; nothing outside it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steelyard.errors import AnalysisError
from steelyard.strength.isometric import IsometricTest
from steelyard.strength.measured import Measured

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CurvePoint:
    """One station.  ``common_u`` is the calibration's share, the same way in all points."""

    degrees: float
    torque_nm: float
    standard_uncertainty: float
    common_u: float

    @property
    def own_u(self) -> float:
        """What is left without the calibration's share."""
        return math.sqrt(max(0.0, self.standard_uncertainty**2 - self.common_u**2))


@dataclass(frozen=True)
class TorqueCurve:
    """Points from the extended to the flexed end, joined by straight lines."""

    points: tuple[CurvePoint, ...]

    @property
    def low_degrees(self) -> float:
        """Extended end."""
        return self.points[0].degrees

    @property
    def high_degrees(self) -> float:
        """Flexed end."""
        return self.points[-1].degrees

    def at(self, degrees: float) -> Measured:
        """Torque at an angle between the outermost stations.

        Raises AnalysisError outside: a curve is not continued.
        """
        if not self.low_degrees <= degrees <= self.high_degrees:
            raise AnalysisError(
                f"{degrees:g} degrees lies outside the stations, which run from "
                f"{self.low_degrees:g} to {self.high_degrees:g}.",
                "Test at a station there; the curve is not continued beyond its ends.",
            )
        angles = [point.degrees for point in self.points]
        torque = np.interp(degrees, angles, [point.torque_nm for point in self.points])
        spread = np.interp(degrees, angles, [point.standard_uncertainty for point in self.points])
        return Measured(float(torque), float(spread), "N·m")

    def area(self) -> Measured:
        """Area under the curve by trapezes, in N·m·rad."""
        weights = _trapeze_weights(np.radians([point.degrees for point in self.points]))
        torque = np.array([point.torque_nm for point in self.points])
        common = float(weights @ np.array([point.common_u for point in self.points]))
        own = float(np.linalg.norm(weights * np.array([point.own_u for point in self.points])))
        return Measured(float(weights @ torque), math.hypot(common, own), "N·m·rad")

    def flexed_to_extended(self) -> Measured:
        """Ratio of the torque at the flexed end to that at the extended end.

        The calibration's share cancels.
        """
        extended, flexed = self.points[0], self.points[-1]
        ratio = flexed.torque_nm / extended.torque_nm
        spread = math.hypot(flexed.own_u / flexed.torque_nm, extended.own_u / extended.torque_nm)
        return Measured(ratio, abs(ratio) * spread, "")


def torque_curve(test: IsometricTest) -> TorqueCurve | None:
    """The curve through each station's best valid effort; None with fewer than two stations."""
    points = [
        CurvePoint(
            best.degrees.value,
            best.peak.value,
            best.peak.standard_uncertainty,
            best.common_standard_uncertainty,
        )
        for station in test.stations
        if (best := station.best) is not None and best.peak is not None
    ]
    return TorqueCurve(tuple(points)) if len(points) >= 2 else None


def _trapeze_weights(at: Array) -> Array:
    weights = np.zeros(len(at))
    steps = np.diff(at)
    weights[:-1] += 0.5 * steps
    weights[1:] += 0.5 * steps
    return weights
