"""Which mass is wrong?  Finding the slip of the pen among calibration points.

Each hypothesis says: these readings were taken with δ kg more than written, or
from here on the zero had moved.  That adds one column to the fit.  A slip is
accused only when its column explains nearly everything the plain fit leaves
unexplained, does so far better than bending the curve would, and δ is far
beyond what the weights may be wrong.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from steelyard.calibration.least_squares import Array, solve
from steelyard.calibration.readings import LoadPoint
from steelyard.calibration.reference_forces import ReferenceForces
from steelyard.calibration.student_t import f_above
from steelyard.errors import PoorFitError

LEAST_SLIP_SHARE: Final = 0.002
"""A slip smaller than this share of the greatest mass is left to the uncertainty budget."""

EXPLAINS: Final = 0.1
"""What may remain of the unexplained sum of squares once the slip is put right."""

CHANCE: Final = 1e-4
"""Probability, over all hypotheses together, of accusing a sound set of points."""

_DEPENDENT: Final = 1e-10


@dataclass(frozen=True)
class Suspect:
    """A slip that would explain the points: where, and how many kg more hung there."""

    where: str
    extra_kg: float
    unexplained: float
    """Sum of squared residuals that is left with it put right, in counts²."""
    shift_counts: float | None = None
    """Set when not a mass but the zero looks changed: by how many counts."""
    of_all_loads: bool = False
    """Something hung with every load that was not written down, or the reverse."""

    @property
    def heading(self) -> str:
        """What kind of slip it is."""
        if self.shift_counts is not None:
            return "Something moved during the run"
        return "The masses do not fit the readings"

    @property
    def advice(self) -> str:
        """What to do about it."""
        if self.shift_counts is not None:
            return (
                "Was the box, a cable or the machine moved, or did a plate shift? Take that run "
                "again and leave everything alone meanwhile."
            )
        if self.of_all_loads:
            return (
                "If a hanger hung with every load, say so: --hanger, or its mass at every point "
                "and its name among the weights. If it hung at zero too, look what else did not."
            )
        return "Correct the mass if it was written down wrongly, or take that reading again."

    def sentence(self) -> str:
        """The accusation, with its number."""
        if self.shift_counts is not None:
            higher = "higher" if self.shift_counts > 0.0 else "lower"
            return (
                f"{self.where} {abs(self.shift_counts):.0f} counts {higher} than before "
                f"(like {abs(self.extra_kg):.3g} kg)"
            )
        heavier = "heavier" if self.extra_kg > 0.0 else "lighter"
        return f"{self.where} {abs(self.extra_kg):.3g} kg {heavier} than written"


@dataclass(frozen=True)
class _Hypothesis:
    text: str
    rows: Array
    of_zero: bool = False
    """The zero moved, and not a mass is wrong."""
    of_all_loads: bool = False


def find_suspect(points: Sequence[LoadPoint], forces: ReferenceForces) -> Suspect | None:
    """The most likely slip, or None when nothing stands out.

    A straight line is assumed for the search: a curve of higher degree would
    bend towards the wrong point and hide it.
    """
    counts = np.array([point.counts_mean for point in points])
    plain = _columns(points, forces, 1)
    before = solve(plain, counts)
    hypotheses = _hypotheses(points)
    found: list[tuple[float, float, Suspect]] = []
    per_kilogram = before.estimates[0] * _newtons_per_kilogram(points, forces)
    dof = before.degrees_of_freedom - 1
    if dof < 1:
        return None
    for hypothesis in hypotheses:
        # one more column: only what the plain columns cannot do themselves counts
        share = before.projector @ hypothesis.rows
        own = hypothesis.rows - plain @ share
        length = float(own @ own)
        if length < _DEPENDENT * float(hypothesis.rows @ hypothesis.rows):
            continue  # the points cannot tell this slip from a different line
        shift = float(own @ before.residuals) / length
        left = max(0.0, before.residual_sum - shift * shift * length)
        # the slope was itself bent by the slip: judge kilograms by the repaired one
        repaired = before.estimates[0] - shift * share[0]
        extra = shift / (repaired / before.estimates[0] * per_kilogram)
        scale = max(left, 1e-9) / dof
        chance = f_above((before.residual_sum - left) / scale, 1, dof)
        moved = shift if hypothesis.of_zero else None
        suspect = Suspect(hypothesis.text, float(extra), left, moved, hypothesis.of_all_loads)
        found.append((left, chance * len(hypotheses), suspect))
    if not found:
        return None
    _, chance, best = min(found, key=lambda item: item[0])
    bent = _bent_sum(points, forces, counts)
    convincing = (
        chance < CHANCE
        and best.unexplained < EXPLAINS * before.residual_sum
        and best.unexplained < 0.5 * bent
        and abs(best.extra_kg) > _least_slip(points, forces)
    )
    return best if convincing else None


def _columns(points: Sequence[LoadPoint], forces: ReferenceForces, degree: int) -> Array:
    """Powers of the force on [-1, 1] or so, and a zero for each run."""
    scaled = forces.newtons / float(np.abs(forces.newtons).max())
    run_of = np.array([point.run for point in points])
    zeros = [(run_of == run).astype(float) for run in sorted(set(run_of.tolist()))]
    return np.column_stack([scaled**power for power in range(1, degree + 1)] + zeros)


def _newtons_per_kilogram(points: Sequence[LoadPoint], forces: ReferenceForces) -> float:
    """On the scale of ``_columns``: what one kilogram more adds to the first column."""
    masses = np.array([point.mass_kg for point in points])
    heaviest = int(np.argmax(masses))
    pull = float(forces.newtons[heaviest] / masses[heaviest])
    return pull / float(np.abs(forces.newtons).max())


def _hypotheses(points: Sequence[LoadPoint]) -> list[_Hypothesis]:
    masses = np.array([point.mass_kg for point in points])
    made = [
        _Hypothesis(
            f"point {number} ({point.describe()}) looks",
            (np.arange(len(points)) == number - 1).astype(float),
        )
        for number, point in enumerate(points, start=1)
    ]
    for mass in sorted(set(masses.tolist()) - {0.0}):
        at_mass = (masses == mass).astype(float)
        if at_mass.sum() > 1:
            made.append(_Hypothesis(f"every reading at {mass:g} kg looks", at_mass))
    loaded = (masses > 0.0).astype(float)
    text = "every loaded reading (a hanger forgotten?) looks"
    made.append(_Hypothesis(text, loaded, of_all_loads=True))
    for name in sorted({name for point in points for name in point.weights}):
        with_it = np.array([float(name in point.weights) for point in points])
        if 1.0 < with_it.sum() < loaded.sum():
            made.append(_Hypothesis(f"weight {name!r}, wherever it hangs, looks", with_it))
    return made + _moved(points)


def _moved(points: Sequence[LoadPoint]) -> list[_Hypothesis]:
    """The zero jumped within a run: from some point on all its readings are shifted alike.

    From its second point to the last but one: a jump before is the run's own
    zero, and one that only the last point shows is that point.
    """
    made = []
    for run in sorted({point.run for point in points}):
        rows = [index for index, point in enumerate(points) if point.run == run]
        for place in range(1, len(rows) - 1):
            shifted = np.zeros(len(points))
            shifted[rows[place:]] = 1.0
            first = points[rows[place]]
            text = f"from point {rows[place] + 1} ({first.describe()}) on, everything reads"
            made.append(_Hypothesis(text, shifted, of_zero=True))
    return made


def _bent_sum(points: Sequence[LoadPoint], forces: ReferenceForces, counts: Array) -> float:
    """What a curve of degree 3 would leave unexplained; no limit where it cannot be fitted."""
    try:
        return solve(_columns(points, forces, 3), counts).residual_sum
    except PoorFitError:
        return math.inf


def _least_slip(points: Sequence[LoadPoint], forces: ReferenceForces) -> float:
    """kg: five times what the weights may be wrong, and a small share of the greatest mass."""
    masses = np.array([point.mass_kg for point in points])
    heaviest = int(np.argmax(masses))
    pull = float(forces.newtons[heaviest] / masses[heaviest])
    doubt = float(np.sqrt(np.sum(forces.mass_effect[heaviest] ** 2))) / pull
    return max(5.0 * doubt, LEAST_SLIP_SHARE * float(masses[heaviest]))
