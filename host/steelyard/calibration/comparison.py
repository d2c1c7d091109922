"""Known loads read with a calibration: as found, as left, and one calibration beside the next.

As found: what the machine said before anything was changed.  As left: what it
says now.  Each error stands beside its expanded uncertainty; their ratio is the
normalised error of comparisons (ISO/IEC 17043, from memory), 1 or less when
the two agree.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.calibration.angle_points import AnglePoint, shortest
from steelyard.calibration.quantity import LoadCalibration, Quantity, quantity_of
from steelyard.calibration.readings import Conditions, Direction, LoadPoint
from steelyard.calibration.reference_forces import ReferenceForces, reference_forces
from steelyard.calibration.weights import Weight
from steelyard.calibration.zeroing import Zeroing
from steelyard.errors import ReadingsFileError


@dataclass(frozen=True)
class ComparedLoad:
    """One known load: reference and indicated value, error, its expanded uncertainty."""

    run: int
    direction: str
    mass_kg: float
    reference: float
    indicated: float
    error: float
    expanded_uncertainty: float

    @property
    def normalised_error(self) -> float:
        """|Error| over its expanded uncertainty."""
        return abs(self.error) / self.expanded_uncertainty

    @property
    def agrees(self) -> bool:
        """Whether the error lies inside its expanded uncertainty (95 %)."""
        return self.normalised_error <= 1.0


@dataclass(frozen=True)
class Comparison:
    """Known loads as one calibration reads them.

    ``zero_shift_counts``: counts without load now less those when it was
    calibrated, first run.
    """

    calibration_id: str
    unit: str
    taken_at: str
    zero_shift_counts: float
    loads: tuple[ComparedLoad, ...]

    @property
    def agrees(self) -> bool:
        """Whether every load lies inside its uncertainty."""
        return all(load.agrees for load in self.loads)

    @property
    def worst(self) -> ComparedLoad:
        """The load that agrees least."""
        return max(self.loads, key=lambda load: load.normalised_error)

    def sentence(self) -> str:
        """The finding in words."""
        worst = self.worst
        inside = sum(load.agrees for load in self.loads)
        return (
            f"{inside} of {len(self.loads)} readings within their uncertainty; largest error for "
            f"its size {worst.error:+.3g} ± {worst.expanded_uncertainty:.2g} {self.unit} at "
            f"{worst.reference:.4g} {self.unit}"
        )

    def as_plain(self) -> dict[str, Any]:
        """For the history and for JSON."""
        return {**dataclasses.asdict(self), "loads": [dataclasses.asdict(x) for x in self.loads]}

    @classmethod
    def from_plain(cls, content: Mapping[str, Any]) -> Comparison:
        """Back from ``as_plain``; TypeError or KeyError when a part is missing."""
        loads = tuple(ComparedLoad(**load) for load in content["loads"])
        return cls(**{**content, "loads": loads})


def compare(
    calibration: LoadCalibration,
    points: Sequence[LoadPoint],
    conditions: Conditions,
    weights: Mapping[str, Weight] | None = None,
) -> Comparison:
    """Read known loads with a calibration, each run zeroed at its first reading without load.

    Zeroing is not held to its bound here: as found, a zero far away is a finding.
    Raises ReadingsFileError when a run has no reading without load, or none with.
    """
    quantity = quantity_of(calibration)
    forces = reference_forces(points, dict(weights or {}), conditions)
    age = calibration.age_days(conditions.taken_at) if conditions.taken_at else 0.0
    zeros = {run: _zero(quantity, points, run) for run in sorted({p.run for p in points})}
    loads = tuple(
        _compared(quantity, point, zeros[point.run], forces, row, age)
        for row, point in enumerate(points)
        if point.mass_kg > 0.0
    )
    if not loads:
        raise ReadingsFileError("No reading has a load.", "Hang one known weight at least.")
    return Comparison(
        calibration.calibration_id,
        quantity.unit,
        conditions.taken_at,
        next(iter(zeros.values())).shift_counts,
        loads,
    )


def _zero(quantity: Quantity, points: Sequence[LoadPoint], run: int) -> Zeroing:
    for point in points:
        if point.run == run and point.mass_kg == 0.0 and point.direction is Direction.UP:
            shift = point.counts_mean - quantity.force.model.zero_counts
            return Zeroing(shift, point.counts_standard_error, "")
    raise ReadingsFileError(
        f"Run {run} has no reading without load before its loads.", "Take the zero first."
    )


def _compared(
    quantity: Quantity,
    point: LoadPoint,
    zero: Zeroing,
    forces: ReferenceForces,
    row: int,
    age_days: float,
) -> ComparedLoad:
    reference = float(forces.newtons[row]) * quantity.per_newton
    indicated = float(quantity.values([point.counts_mean], zero)[0])
    budget = quantity.budget(
        indicated,
        zero=zero,
        counts_standard_error=point.counts_standard_error,
        age_days=age_days,
    )
    relative = math.hypot(forces.relative_gravity, forces.relative_buoyancy)
    masses = float((forces.mass_effect[row] ** 2).sum()) ** 0.5 * quantity.per_newton
    u = math.hypot(budget.standard_uncertainty, masses, relative * reference)
    return ComparedLoad(
        point.run,
        point.direction.value,
        point.mass_kg,
        reference,
        indicated,
        indicated - reference,
        budget.coverage_factor * u,
    )


def compare_angle(
    calibration: AngleCalibration, points: Sequence[AnglePoint], taken_at: str
) -> dict[str, Any]:
    """Known positions as an angle calibration reads them: plain data, in degrees."""
    positions = []
    for point in points:
        read = float(calibration.angle([point.counts_mean]).angle_degrees[0])
        positions.append(
            {
                "known_degrees": point.angle_degrees,
                "read_degrees": read,
                "error_degrees": float(shortest(np.array(read - point.angle_degrees))),
                "expanded_uncertainty_degrees": calibration.budget(read).expanded_uncertainty,
            }
        )
    return {
        "calibration_id": calibration.calibration_id,
        "taken_at": taken_at,
        "positions": positions,
    }


@dataclass(frozen=True)
class Change:
    """One calibration beside the one before it.

    ``sensitivity_change_relative`` and ``zero_change_counts`` are None for the
    first; ``normalised_change`` is the change of sensitivity over the expanded
    uncertainty of the difference.
    """

    calibration_id: str
    taken_at: str
    unit: str
    sensitivity: float
    zero_counts: float
    sensitivity_change_relative: float | None = None
    zero_change_counts: float | None = None
    normalised_change: float | None = None


def changes(calibrations: Sequence[LoadCalibration]) -> list[Change]:
    """Each calibration of a channel beside the one before it, in the order given.

    A force and a torque calibration are not compared with each other.
    """
    made: list[Change] = []
    before: LoadCalibration | None = None
    for calibration in calibrations:
        now = quantity_of(calibration)
        model = now.force.model
        change = Change(
            calibration.calibration_id,
            now.force.conditions.taken_at,
            now.unit,
            now.sensitivity,
            model.zero_counts,
        )
        if before is not None and (then := quantity_of(before)).unit == now.unit:
            u_now = calibration.sensitivity_budget().expanded_uncertainty / now.sensitivity
            u_then = before.sensitivity_budget().expanded_uncertainty / then.sensitivity
            relative = now.sensitivity / then.sensitivity - 1.0
            change = dataclasses.replace(
                change,
                sensitivity_change_relative=relative,
                zero_change_counts=model.zero_counts - then.force.model.zero_counts,
                normalised_change=abs(relative) / math.hypot(u_now, u_then),
            )
        made.append(change)
        before = calibration
    return made
