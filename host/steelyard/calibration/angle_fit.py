"""Finding an angle calibration from known positions of the arm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.calibration.angle_points import (
    AngleConditions,
    AnglePoint,
    design_rows,
    shortest,
    table_angle,
)
from steelyard.calibration.least_squares import Array, LeastSquares, solve
from steelyard.calibration.readings import Binding
from steelyard.errors import PoorFitError

RESIDUAL_LIMIT_DEGREES: Final = 2.0
"""A known position further off than this is a slip (common practice, no source)."""

HARMONIC_POINTS: Final = 6
HARMONIC_SPAN_DEGREES: Final = 120.0
"""Fewer points, or a shorter arc, cannot tell eccentricity from a wrong position."""

TABLE_ROWS: Final = 5
"""A table with fewer rows cannot show that its straight lines suffice."""


def calibrate_angle(
    points: Sequence[AnglePoint],
    binding: Binding,
    *,
    counts_per_turn: int,
    conditions: AngleConditions | None = None,
    table: bool = False,
) -> AngleCalibration:
    """Calibrate an angle channel from two or more known positions.

    ``counts_per_turn`` 0 means a potentiometer; with ``table`` it gets a table
    of its positions in place of a straight line.  Raises PoorFitError, naming
    the point, when the positions contradict each other.
    """
    angles = np.array([point.angle_degrees for point in points])
    counts = np.array([point.counts_mean for point in points])
    if angles.size < 2 or np.ptp(angles) < 5.0:
        raise PoorFitError(
            f"{angles.size} positions over {np.ptp(angles) if angles.size else 0.0:.1f}° cannot "
            "give the direction of the angle.",
            "Use two positions or more, at least 5° apart, best the ends and the middle.",
        )
    blank = AngleCalibration(
        binding,
        counts_per_turn,
        direction=1,
        coefficients=(),
        covariance=(),
        counts_centre=0.5 * float(counts.min() + counts.max()),
        counts_half_range=max(0.5 * float(np.ptp(counts)), 1.0),
        low_degrees=float(angles.min()),
        high_degrees=float(angles.max()),
        residual_sd_degrees=0.0,
        points=tuple(points),
        conditions=conditions or AngleConditions(),
    )
    if not counts_per_turn:
        _require_one_track(points)
    if not table:
        return _fitted(blank, angles, counts)
    if counts_per_turn:
        raise PoorFitError(
            "A table is for a potentiometer; this sensor turns with the shaft.",
            "Leave the table out: its offset, and eccentricity from six positions on, are fitted.",
        )
    return _tabled(blank)


def refit_angle(calibration: AngleCalibration) -> AngleCalibration:
    """Make a calibration again from the positions it keeps."""
    return calibrate_angle(
        calibration.points,
        calibration.binding,
        counts_per_turn=calibration.counts_per_turn,
        conditions=calibration.conditions,
        table=bool(calibration.table),
    )


def _fitted(blank: AngleCalibration, angles: Array, counts: Array) -> AngleCalibration:
    """Offset and harmonic of a sensor that turns, or the line of a potentiometer."""
    turn = blank.counts_per_turn
    direction, response = 1, angles
    if turn:
        direction, response = _offsets(angles, counts * 360.0 / turn)
    harmonic = angles.size >= HARMONIC_POINTS and np.ptp(angles) >= HARMONIC_SPAN_DEGREES
    more = bool(harmonic) or not turn
    terms = design_rows(counts, turn, blank.counts_centre, blank.counts_half_range, more)
    fit = solve(terms, response)
    _check(blank.points, fit, straight=not turn)
    if not turn:
        direction = 1 if fit.estimates[1] > 0.0 else -1
    return replace(
        blank,
        direction=direction,
        coefficients=tuple(fit.estimates.tolist()),
        covariance=tuple(tuple(row) for row in fit.covariance.tolist()),
        residual_sd_degrees=fit.residual_sd,
    )


def _tabled(blank: AngleCalibration) -> AngleCalibration:
    """The positions themselves, sorted; each left out once to see what straight lines miss."""
    rows = tuple(sorted((point.counts_mean, point.angle_degrees) for point in blank.points))
    if len(rows) < TABLE_ROWS:
        raise PoorFitError(
            f"A table of {len(rows)} positions is too short.",
            f"Give {TABLE_ROWS} or more, spread over the whole range.",
        )
    steps = np.diff(np.array(rows), axis=0)
    direction = 1 if steps[:, 1].sum() > 0.0 else -1
    wrong = np.flatnonzero((steps[:, 0] <= 0.0) | (steps[:, 1] * direction <= 0.0))
    if wrong.size:
        before, after = rows[int(wrong[0])], rows[int(wrong[0]) + 1]
        raise PoorFitError(
            f"Between {before[1]:g}° ({before[0]:.0f} counts) and {after[1]:g}° "
            f"({after[0]:.0f} counts) the table turns round or stands still.",
            "Set the arm there again; a worn potentiometer jumps.",
        )
    missed = [
        abs(float(table_angle(np.array([row[0]]), rows[:index] + rows[index + 1 :])[0]) - row[1])
        for index, row in enumerate(rows[1:-1], start=1)
    ]
    worst = int(np.argmax(missed))
    if missed[worst] > 4.0 * RESIDUAL_LIMIT_DEGREES:
        raise PoorFitError(
            f"The position {rows[worst + 1][1]:g}° is {missed[worst]:.1f}° off the straight line "
            "between its neighbours.",
            "Set the arm there again, and add positions about it.",
        )
    # lines over half the distance miss a quarter of it, as far as the curve is smooth
    return replace(blank, direction=direction, table=rows, table_error_degrees=missed[worst] / 4.0)


def _require_one_track(points: Sequence[AnglePoint]) -> None:
    """Raise PoorFitError when a potentiometer passes the end of its track between two positions.

    Its counts then run on from the other end; in the gap between them it shows nothing.
    """
    ordered = sorted(points, key=lambda point: point.angle_degrees)
    steps = np.diff([point.counts_mean for point in ordered])
    backward = np.flatnonzero(steps * np.median(steps) < 0.0)
    whole = np.ptp([point.counts_mean for point in points])
    if backward.size != 1 or abs(steps[backward[0]]) < 0.5 * whole:
        return
    before, after = ordered[int(backward[0])], ordered[int(backward[0]) + 1]
    raise PoorFitError(
        f"Between {before.angle_degrees:g}° ({before.counts_mean:.0f} counts) and "
        f"{after.angle_degrees:g}° ({after.counts_mean:.0f} counts) the potentiometer passes the "
        "end of its track.",
        "Turn its body on the shaft until the whole range lies on the track, and begin anew.",
    )


def _offsets(angles: Array, turned: Array) -> tuple[int, Array]:
    """Direction, and each point's offset in degrees without a jump between them.

    With the right direction the offsets agree; with the wrong one they spread
    by twice the arc.
    """
    found = []
    for direction in (1, -1):
        offsets = angles - direction * turned
        radians = np.radians(offsets)
        mean = math.degrees(math.atan2(float(np.sin(radians).sum()), float(np.cos(radians).sum())))
        together = mean + shortest(offsets - mean)
        found.append((float(np.ptp(together)), direction, together))
    _, direction, together = min(found, key=lambda item: item[0])
    return direction, together


def _check(points: Sequence[AnglePoint], fit: LeastSquares, straight: bool) -> None:
    worst = int(np.argmax(np.abs(fit.residuals)))
    off = abs(float(fit.residuals[worst]))
    if off > RESIDUAL_LIMIT_DEGREES:
        more = " If the potentiometer is not straight, ask for a table." if straight else ""
        raise PoorFitError(
            f"Position {worst + 1} ({points[worst].angle_degrees:g}°) is {off:.1f}° off the "
            f"others; {RESIDUAL_LIMIT_DEGREES:g}° is allowed.",
            "Set the arm there again; check sign and reading of the inclinometer, and that the "
            f"magnet does not slip.{more}",
        )
