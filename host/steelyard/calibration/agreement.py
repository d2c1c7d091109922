"""Does the result agree with what is known otherwise: other runs, the data sheet, the past?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from steelyard.calibration.least_squares import solve
from steelyard.calibration.readings import LoadPoint
from steelyard.calibration.reference_forces import ReferenceForces
from steelyard.errors import PoorFitError, ReadingsFileError

RUN_LIMIT: Final = 0.005
"""Largest difference of a run's slope from the middle of all, as a share, before the runs are
taken to be of different sensors (common practice, no source; as the limit of residuals)."""

ZERO_LIMIT: Final = 0.01
"""Largest distance of a run's zero from the middle of all, as a share of the span, before the
box or the machine is taken to have been moved between the runs (common practice, no source; a
sound load cell stays thirty times below)."""

SURE: Final = 5.0
"""Times the standard error of a slope that a difference must be to stand apart."""

EXPECTED_LIMIT: Final = 0.02
"""Likewise for the sensitivity against the one expected: more is no ageing."""

DATA_SHEET_LIMIT: Final = 0.15
"""Likewise against a data sheet: plain cells promise their output within a tenth (common
practice, no source)."""

SLIP_LIMIT: Final = 0.05
"""How near a ratio must be to that of two units to be taken for it."""

UNIT_SLIPS: Final = (
    (0.45359237, "pounds were entered as kilograms"),
    (1.0 / 0.45359237, "kilograms were entered as pounds"),
    (1.0 / 9.80665, "newtons were entered as kilograms"),
    (9.80665, "kilograms were entered as newtons"),
    (0.001, "grams were entered as kilograms"),
)
"""Found over expected sensitivity, and what explains it."""


def check_runs(points: Sequence[LoadPoint], forces: ReferenceForces) -> None:
    """Raise PoorFitError when one run's slope stands apart from the others.

    Within a run everything may look fine: a sensor, a gain or a hanging place
    changed between two runs shows only here.
    """
    fits = _slopes(points, forces)
    if len(fits) < 2:
        return
    slopes = {run: slope for run, (slope, _) in fits.items()}
    middle = float(np.median(list(slopes.values())))
    run, worst = max(slopes.items(), key=lambda item: abs(item[1] / middle - 1.0))
    # the middle of two runs lies between them
    apart = abs(worst / middle - 1.0) * (2.0 if len(slopes) == 2 else 1.0)
    doubt = SURE * max(error for _, error in fits.values()) / abs(middle)
    if apart <= max(RUN_LIMIT, doubt):
        return  # alike, or scattered so much that the residuals will tell
    which = "Runs 1 and 2 differ" if len(slopes) == 2 else f"Run {run} differs from the others"
    raise PoorFitError(
        f"{which} by {100.0 * apart:.1f} % in sensitivity "
        f"({worst:.5g} against {middle:.5g} counts/N); {100.0 * RUN_LIMIT:g} % is allowed.",
        "Was the sensor, the gain or the place where the weights hang changed between the runs? "
        "Take all runs again with one sensor and one place.",
    )


def check_zeros(points: Sequence[LoadPoint], zeros_counts: Sequence[float]) -> None:
    """Raise PoorFitError when the zero of one run (by run, rising) stands apart from the others."""
    runs = sorted({point.run for point in points})
    if len(runs) < 2:
        return
    counts = [point.counts_mean for point in points]
    middle = float(np.median(zeros_counts))
    away = {run: zero - middle for run, zero in zip(runs, zeros_counts, strict=True)}
    run = max(away, key=lambda run: abs(away[run]))
    apart = away[run] * (2.0 if len(runs) == 2 else 1.0)
    share = abs(apart) / (max(counts) - min(counts))
    if share <= ZERO_LIMIT:
        return
    first = next(number for number, point in enumerate(points, start=1) if point.run == run)
    others = "the other" if len(runs) == 2 else "the others"
    raise PoorFitError(
        f"The zero of run {run} (from point {first} on) lies {abs(apart):.0f} counts "
        f"{'above' if apart > 0.0 else 'below'} that of {others}, {100.0 * share:.1f} % of the "
        f"span; {100.0 * ZERO_LIMIT:g} % is allowed.",
        "Was the box, a cable or the machine moved between the runs, or did something go on "
        "hanging? Take all runs again and leave everything alone meanwhile.",
    )


def check_expected(found: float, expected: float | None, within: float = EXPECTED_LIMIT) -> None:
    """Hold a sensitivity in counts/N against the one expected, sign aside.

    ``within``: largest difference, as a share; a data sheet is not as good as an
    older calibration.

    Raises ReadingsFileError when a wrong unit explains the difference,
    PoorFitError when none does.
    """
    if expected is None:
        return
    ratio = abs(found / expected)
    for factor, explanation in UNIT_SLIPS:
        if abs(ratio / factor - 1.0) < max(SLIP_LIMIT, within):
            raise ReadingsFileError(
                f"The sensitivity comes out {ratio:.4g} times what was expected: it looks as if "
                f"{explanation}.",
                "Enter masses in kilograms.",
            )
    if abs(ratio - 1.0) > within:
        raise PoorFitError(
            f"The sensitivity comes out {found:.5g} counts/N where {abs(expected):.5g} was "
            f"expected, {100.0 * (ratio - 1.0):+.1f} %.",
            "Was the sensor swapped, the gain changed, or do the weights hang elsewhere? Enter a "
            "new sensor's serial number in the box; it then counts as uncalibrated.",
        )


def _slopes(points: Sequence[LoadPoint], forces: ReferenceForces) -> dict[int, tuple[float, float]]:
    """Slope and standard error, in counts/N, of a straight line through each run of two loads."""
    slopes = {}
    for run in sorted({point.run for point in points}):
        rows = [index for index, point in enumerate(points) if point.run == run]
        newtons = forces.newtons[rows]
        if np.ptp(newtons) == 0.0:
            continue
        counts = np.array([points[index].counts_mean for index in rows])
        line = solve(np.column_stack([newtons, np.ones(len(rows))]), counts)
        slopes[run] = float(line.estimates[0]), float(np.sqrt(line.covariance[0, 0]))
    return slopes
