"""The fit of counts on force, with what is not the curve kept apart from it.

Model of a reading:  counts = curve(force) + zero of its run
                              + slope deviation of its run · force
                              ± half the loop (up, down) at its load + scatter.

Run zeros, run slopes and the loop are estimated beside the curve.  Left out,
they would pass for scatter, and scatter is assumed independent from point to
point, which none of the three is; the uncertainty of the curve would come out
too small (runs) or too large (loop).  Between-run effects are treated as in
the analysis of variance of GUM H.5.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steelyard.calibration.least_squares import Array, LeastSquares, solve
from steelyard.calibration.readings import Direction, LoadPoint, sample_sd
from steelyard.calibration.reference_forces import ReferenceForces
from steelyard.calibration.response_curve import ResponseCurve
from steelyard.calibration.student_t import t_outside
from steelyard.errors import PoorFitError

HIGHEST_DEGREE = 3
SIGNIFICANCE = 0.01


@dataclass(frozen=True)
class ResponseFit:
    """The curve and everything estimated beside it; counts, newtons.

    ``readings_covariance`` (d+1, d+1) of the curve's coefficients from scatter
    within runs, with ``degrees_of_freedom``; ``mass_covariance`` likewise from
    the weights.  ``run_zeros_counts`` and ``run_slopes_relative`` have one
    entry for each run.  ``loop`` holds (force, half of up less down in counts)
    for each load reached both ways; ``deviations`` (force, mean residual at
    that load in counts).
    """

    curve: ResponseCurve
    readings_covariance: Array
    mass_covariance: Array
    degrees_of_freedom: int
    scatter_counts: float
    run_zeros_counts: tuple[float, ...]
    run_slopes_relative: tuple[float, ...]
    slope_variance_relative: float
    """Variance of one entry of ``run_slopes_relative`` that scatter alone would give."""
    loop: tuple[tuple[float, float], ...]
    deviations: tuple[tuple[float, float], ...]
    residuals_counts: Array
    """Residuals (n) from curve and run zero alone: what a person sees in a plot."""


@dataclass(frozen=True)
class _Design:
    """Columns of the model and where each part sits in them."""

    matrix: Array
    runs: tuple[int, ...]
    loop_masses: tuple[float, ...]
    degree: int
    levels: Array
    """Rows that belong to each load (loads, n), as weights of a mean."""

    @property
    def zero_columns(self) -> slice:
        return slice(self.degree, self.degree + len(self.runs))

    @property
    def slope_columns(self) -> slice:
        start = self.degree + len(self.runs)
        return slice(start, start + len(self.runs) - 1)

    @property
    def loop_columns(self) -> slice:
        start = self.degree + 2 * len(self.runs) - 1
        return slice(start, start + len(self.loop_masses))


def fit_response(
    points: Sequence[LoadPoint], forces: ReferenceForces, degree: int | None = None
) -> ResponseFit:
    """Fit the response; with ``degree`` None, choose it.

    Rule: the highest degree up to 3 whose last coefficient differs from zero
    at 99 % (t-test, which for one coefficient is the F-test), its uncertainty
    taken with that of the weights: a wrong plate bends the points as well.
    Raises PoorFitError when points are too few or the curve is not monotonic.
    """
    loads = len({point.mass_kg for point in points})
    if degree is not None:
        if not 1 <= degree <= HIGHEST_DEGREE:
            raise PoorFitError(
                f"Degree {degree} was asked for.", f"Choose 1 to {HIGHEST_DEGREE}, or none."
            )
        return _checked(_fit(points, forces, degree))
    for candidate in range(min(HIGHEST_DEGREE, loads - 2), 1, -1):
        fit = _fit(points, forces, candidate)
        if fit.degrees_of_freedom > 0 and _last_matters(fit):
            return _checked(fit)
    return _checked(_fit(points, forces, 1))


def _checked(fit: ResponseFit) -> ResponseFit:
    fit.curve.require_monotonic()
    if fit.degrees_of_freedom < 1:
        raise PoorFitError(
            "The readings leave no degree of freedom to judge the fit by.",
            "Add loads or a second run, or choose a lower degree.",
        )
    return fit


def _last_matters(fit: ResponseFit) -> bool:
    readings, masses = fit.readings_covariance[-1, -1], fit.mass_covariance[-1, -1]
    u = math.sqrt(readings + masses)
    if u == 0.0:
        return fit.curve.coefficients[-1] != 0.0
    dof = fit.degrees_of_freedom * ((readings + masses) / readings) ** 2 if readings else math.inf
    return t_outside(abs(fit.curve.coefficients[-1]) / u, dof) < SIGNIFICANCE


def _fit(points: Sequence[LoadPoint], forces: ReferenceForces, degree: int) -> ResponseFit:
    low, high = float(forces.newtons.min()), float(forces.newtons.max())
    scale = ResponseCurve((0.0,) * (degree + 1), low, high)
    counts = np.array([point.counts_mean for point in points])
    design = _design(points, forces.newtons, scale)
    solution = solve(design.matrix, counts)
    # a few readings that agree by luck are still as noisy as each of them says
    own = math.fsum(point.counts_standard_error**2 for point in points) / len(points)
    variance = max(solution.residual_sd**2, own)
    to_curve = _to_curve(design)
    curve = ResponseCurve(tuple((to_curve @ solution.estimates).tolist()), low, high)
    pull = (to_curve @ solution.projector * curve.slope(forces.newtons)) @ forces.mass_effect
    run_slopes, slope_variance = _run_slopes(design, solution, variance)
    zeros = solution.estimates[design.zero_columns]
    bare = counts - curve.counts(forces.newtons) - _by_run(points, zeros - zeros.mean())
    level_means = design.levels @ bare
    level_newtons = design.levels @ forces.newtons
    return ResponseFit(
        curve,
        variance * to_curve @ solution.inverse_normal @ to_curve.T,
        pull @ pull.T,
        solution.degrees_of_freedom,
        math.sqrt(variance),
        tuple((curve.counts(np.zeros(1))[0] + zeros - zeros.mean()).tolist()),
        run_slopes,
        slope_variance,
        _loop(points, forces, design, solution),
        tuple(zip(level_newtons.tolist(), level_means.tolist(), strict=True)),
        bare,
    )


def _design(points: Sequence[LoadPoint], newtons: Array, scale: ResponseCurve) -> _Design:
    masses = np.array([point.mass_kg for point in points])
    signs = np.array([1.0 if point.direction is Direction.UP else -1.0 for point in points])
    run_of = np.array([point.run for point in points])
    runs = tuple(sorted(set(run_of.tolist())))
    levels = np.array(sorted(set(masses.tolist())))
    both = tuple(
        mass for mass in levels.tolist() if {1.0, -1.0} <= set(signs[masses == mass].tolist())
    )
    members = np.array([[float(mass == level) for mass in masses] for level in levels])
    # slope deviations pivot at zero force, so that a run's zero is its reading without load
    tilt = newtons * (2.0 / scale.span_newtons)
    columns = [scale.basis(newtons)[:, 1:]]
    columns += [(run_of == run).astype(float)[:, None] for run in runs]
    columns += [
        (tilt * ((run_of == run).astype(float) - (run_of == runs[-1])))[:, None]
        for run in runs[:-1]
    ]
    columns += [(signs * (masses == mass))[:, None] for mass in both]
    return _Design(
        np.hstack(columns),
        runs,
        both,
        scale.degree,
        members / members.sum(axis=1, keepdims=True),
    )


def _to_curve(design: _Design) -> Array:
    """Matrix that picks the curve's coefficients: mean of the run zeros, then the rest."""
    matrix = np.zeros((design.degree + 1, design.matrix.shape[1]))
    matrix[0, design.zero_columns] = 1.0 / len(design.runs)
    for order in range(1, design.degree + 1):
        matrix[order, order - 1] = 1.0
    return matrix


def _run_slopes(
    design: _Design, solution: LeastSquares, variance: float
) -> tuple[tuple[float, ...], float]:
    """Relative deviation of each run's slope, and the mean variance scatter gives it.

    The run columns are written for deviations that add up to zero.
    """
    runs = len(design.runs)
    if runs < 2:
        return (0.0,), 0.0
    contrast = np.vstack([np.eye(runs - 1), -np.ones((1, runs - 1))])
    tilts = solution.estimates[design.slope_columns]
    slope_scale = solution.estimates[0]
    deviations = contrast @ tilts / slope_scale
    normal = solution.inverse_normal[design.slope_columns, design.slope_columns]
    covariance = variance * normal
    spread = np.trace(contrast @ covariance @ contrast.T) / slope_scale**2
    # deviations from a mean have (runs - 1)/runs of the variance of the slopes themselves
    return tuple(deviations.tolist()), float(spread / (runs - 1))


def _by_run(points: Sequence[LoadPoint], values: Array) -> Array:
    runs = sorted({point.run for point in points})
    return np.array([values[runs.index(point.run)] for point in points])


def _loop(
    points: Sequence[LoadPoint],
    forces: ReferenceForces,
    design: _Design,
    solution: LeastSquares,
) -> tuple[tuple[float, float], ...]:
    """Half of up less down at each load reached both ways; at the greatest they meet."""
    newtons = {point.mass_kg: force for point, force in zip(points, forces.newtons, strict=True)}
    halves = solution.estimates[design.loop_columns]
    found = [
        (float(newtons[mass]), float(half))
        for mass, half in zip(design.loop_masses, halves, strict=True)
    ]
    top = max(newtons)
    if found and top not in design.loop_masses:
        found.append((float(newtons[top]), 0.0))
    return tuple(found)


def between_run_sd(values: Sequence[float]) -> float:
    """Standard deviation between runs; 0 for a single run."""
    return sample_sd(values) if len(values) > 1 else 0.0
