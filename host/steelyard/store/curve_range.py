"""A torque-angle curve cut to a range that several curves have in common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from steelyard.strength.measured import Measured
from steelyard.strength.torque_curve import CurvePoint, TorqueCurve

NARROWEST_DEGREES: Final = 5.0


def common_range(curves: Sequence[TorqueCurve]) -> tuple[float, float] | None:
    """Angles that all curves cover; None when those are next to none."""
    if not curves:
        return None
    low = max(curve.low_degrees for curve in curves)
    high = min(curve.high_degrees for curve in curves)
    return (low, high) if high - low >= NARROWEST_DEGREES else None


def area_within(curve: TorqueCurve, low: float, high: float) -> Measured:
    """Area under the part of a curve from ``low`` to ``high`` degrees, in N·m·rad."""
    inner = [point for point in curve.points if low < point.degrees < high]
    return TorqueCurve((_point(curve, low), *inner, _point(curve, high))).area()


def mean_torque(area: Measured, low: float, high: float) -> Measured:
    """An area under a curve over its range: a mean torque, in N·m."""
    return area.scaled(1.0 / math.radians(high - low), "N·m")


def _point(curve: TorqueCurve, degrees: float) -> CurvePoint:
    """On the curve; its own and common share of the uncertainty drawn by straight lines too."""
    torque = curve.at(degrees)
    angles = [point.degrees for point in curve.points]
    common = float(np.interp(degrees, angles, [point.common_u for point in curve.points]))
    return CurvePoint(degrees, torque.value, torque.standard_uncertainty, common)
