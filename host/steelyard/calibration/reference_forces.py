"""From marked masses to newtons, keeping track of which error belongs to which weight.

The same weights hang at many points: if the first plate is 1 g light, every
load that contains it is 1 g light.  So each weight's error is carried as one
column through the fit, and not averaged away as if every point had new weights.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from steelyard.calibration.least_squares import Array
from steelyard.calibration.readings import Conditions, LoadPoint
from steelyard.calibration.weights import (
    REFERENCE_DENSITY,
    Weight,
    buoyancy_relative_uncertainty,
    pull_per_kilogram,
)
from steelyard.errors import ReadingsFileError

UNNAMED = "masses as marked"
_UNNAMED_DENSITY_UNCERTAINTY = 500.0


@dataclass(frozen=True)
class ReferenceForces:
    """The loads of n points in newtons, and how they may be wrong.

    ``newtons`` (n); ``mass_effect`` (n, j): newtons per standard uncertainty
    of weight j, so that its columns are independent and of variance 1;
    ``names`` of the j columns; ``relative_gravity`` and ``relative_buoyancy``
    are standard uncertainties common to all points.
    """

    newtons: Array
    mass_effect: Array
    names: tuple[str, ...]
    relative_gravity: float
    relative_buoyancy: float
    all_traceable: bool


def reference_forces(
    points: Sequence[LoadPoint], weights: Mapping[str, Weight], conditions: Conditions
) -> ReferenceForces:
    """Work out the force at every point.

    Raises ReadingsFileError when a point names a weight that is not described,
    names one twice, or names weights that do not add up to its mass.
    """
    used = sorted({name for point in points for name in point.weights})
    names = (*used, UNNAMED)
    newtons = np.zeros(len(points))
    effect = np.zeros((len(points), len(names)))
    for row, (number, point) in enumerate(enumerate(points, start=1)):
        if not point.weights:
            pull = pull_per_kilogram(conditions.gravity.value, conditions.air.density)
            newtons[row] = point.mass_kg * pull
            effect[row, -1] = newtons[row] * conditions.mass_bound_relative / math.sqrt(3.0)
            continue
        for weight in _pieces(number, point, weights):
            pull = pull_per_kilogram(
                conditions.gravity.value, conditions.air.density, weight.density_kg_m3
            )
            newtons[row] += weight.mass_kg * pull
            effect[row, names.index(weight.name)] = weight.standard_uncertainty_kg * pull
    return ReferenceForces(
        newtons,
        effect,
        names,
        conditions.gravity.relative_uncertainty,
        _buoyancy(used, weights, conditions),
        all(weights[name].traceable for name in used),
    )


def _pieces(number: int, point: LoadPoint, weights: Mapping[str, Weight]) -> list[Weight]:
    """The weights that hang at a point, checked against its marked mass."""
    missing = [name for name in point.weights if name not in weights]
    if missing:
        raise ReadingsFileError(
            f"Point {number} ({point.describe()}) names a weight that is not described: "
            f"{', '.join(missing)}.",
            f"Described are: {', '.join(weights) or 'none'}.",
        )
    if len(set(point.weights)) < len(point.weights):
        raise ReadingsFileError(
            f"Point {number} ({point.describe()}) names the same weight twice: "
            f"{', '.join(point.weights)}.",
            "Each piece exists once; give alike pieces different names.",
        )
    pieces = [weights[name] for name in point.weights]
    marked = sum(weight.nominal_kg for weight in pieces)
    if not math.isclose(marked, point.mass_kg, rel_tol=1e-6):
        raise ReadingsFileError(
            f"Point {number} ({point.describe()}): its weights {', '.join(point.weights)} add up "
            f"to {marked:g} kg, not {point.mass_kg:g} kg.",
            "Correct the mass or the names; was the hanger left out?",
        )
    return pieces


def _buoyancy(used: Sequence[str], weights: Mapping[str, Weight], conditions: Conditions) -> float:
    """Largest relative uncertainty of the pull by densities: one bound for all points."""
    densities = [
        (weights[name].density_kg_m3, weights[name].density_uncertainty_kg_m3) for name in used
    ] or [(REFERENCE_DENSITY, _UNNAMED_DENSITY_UNCERTAINTY)]
    return max(buoyancy_relative_uncertainty(rho, u, conditions.air) for rho, u in densities)
