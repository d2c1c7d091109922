"""The uncertainty of a force calibration, written out line by line.

The same sums as ``ForceModel.variance``, for people: one reading, the
sensitivity, the zero.  A test holds the two against each other.
"""

from __future__ import annotations

import math

import numpy as np

from steelyard.calibration.applied import ForceModel
from steelyard.calibration.least_squares import Array
from steelyard.calibration.uncertainty import Budget, BudgetLine
from steelyard.calibration.zeroing import Zeroing


def reading_budget(
    model: ForceModel,
    force_newtons: float,
    *,
    zero: Zeroing | None = None,
    counts_standard_error: float | None = None,
) -> Budget:
    """Budget of one reading at a force, in newtons.

    ``counts_standard_error`` left out: a single sample with the noise seen when
    calibrating.
    """
    at = np.array([force_newtons])
    per_count = 1.0 / abs(float(model.curve.slope(at)[0]))
    noise = model.sample_noise_counts if counts_standard_error is None else counts_standard_error
    half_loop = float(model.loop_half_counts(at)[0])
    free = model.interpolation_degrees_of_freedom
    zero_free = float(max(1, model.run_count - 1)) if zero is None else math.inf
    zero_counts = model.zero_uncertainty_counts(zero)
    size = abs(force_newtons)
    lines = (
        *_curve_lines(model, model.rows(at, zero)[0], per_count),
        *_scale_lines(model, size),
        BudgetLine("creep", float(model.creep_newtons(at, zero)[0]), "N", "rectangular"),
        _repeatability(model, model.repeatability_relative, size),
        BudgetLine("reversibility (half the loop)", half_loop, "counts", "two-point", per_count),
        BudgetLine(
            "interpolation", model.interpolation_counts, "counts", "normal", per_count, free, "A"
        ),
        BudgetLine("zero", zero_counts, "counts", "normal", per_count, zero_free, "A"),
        BudgetLine("resolution", 1.0, "counts", "resolution", per_count),
        BudgetLine("noise of this reading", noise, "counts", "normal", per_count),
    )
    return Budget(lines, "N")


def sensitivity_budget(model: ForceModel) -> Budget:
    """Budget of the sensitivity from end to end of the range, in counts per newton."""
    curve = model.curve
    ends = curve.basis(np.array([curve.low_newtons, curve.high_newtons]))
    size = abs(model.sensitivity_counts_per_newton)
    lines = (
        *_curve_lines(model, ends[1] - ends[0], 1.0 / curve.span_newtons),
        *_scale_lines(model, size),
        BudgetLine("creep", model.creep_relative, "relative", "rectangular", size),
        _repeatability(model, _mean_repeatability(model), size),
    )
    return Budget(lines, "counts/N")


def zero_budget(model: ForceModel) -> Budget:
    """Budget of the counts without load, in counts.

    Of the zero a worked sensor had while it was calibrated.  Zeros wander; for
    a reading taken later a zeroing is the better way.
    """
    at = np.zeros(1)
    runs = model.run_count
    between = model.run_zero_sd_counts / math.sqrt(runs)
    half_loop = float(model.loop_half_counts(at)[0])
    per_newton = abs(model.sensitivity_counts_per_newton)
    creep_counts = float(model.creep_newtons(at)[0]) * per_newton
    lines = (
        *_curve_lines(model, model.curve.basis(at)[0], 1.0),
        BudgetLine("zero between runs", between, "counts", "normal", 1.0, max(1, runs - 1), "A"),
        BudgetLine("creep of the loads before", creep_counts, "counts", "rectangular"),
        BudgetLine("zero return (half of it)", half_loop, "counts", "two-point"),
    )
    return Budget(lines, "counts")


def _curve_lines(model: ForceModel, row: Array, per_count: float) -> tuple[BudgetLine, BudgetLine]:
    """What the weights and the scatter of the readings leave open about the curve."""
    masses = _spread(row, model.mass_covariance)
    readings = _spread(row, model.readings_covariance)
    free = model.readings_degrees_of_freedom
    return (
        BudgetLine("test weights", masses, "counts", "normal", per_count),
        BudgetLine("fit to the readings", readings, "counts", "normal", per_count, free, "A"),
    )


def _scale_lines(model: ForceModel, size: float) -> tuple[BudgetLine, BudgetLine]:
    """What stretches all forces alike; ``size`` is what they are shares of."""
    return (
        BudgetLine("gravity", model.gravity_relative, "relative", "normal", size),
        BudgetLine("air buoyancy", model.buoyancy_relative, "relative", "normal", size),
    )


def _repeatability(model: ForceModel, relative: float, size: float) -> BudgetLine:
    if model.run_count < 2:
        return BudgetLine("repeatability (assumed: one run)", relative, "relative", "normal", size)
    free = model.run_count - 1
    return BudgetLine("repeatability between runs", relative, "relative", "normal", size, free, "A")


def _mean_repeatability(model: ForceModel) -> float:
    """Of the mean slope of all runs: only what scatter within runs does not already explain.

    The scatter is in the fit's own line; the difference of variances is that of
    the analysis of variance (GUM H.5).
    """
    if model.run_count < 2:
        return model.repeatability_relative
    between = model.run_slope_sd_relative**2 - model.run_slope_noise_relative**2
    return math.sqrt(max(0.0, between) / model.run_count)


def _spread(row: Array, covariance: tuple[tuple[float, ...], ...]) -> float:
    return math.sqrt(max(0.0, float(row @ np.array(covariance) @ row)))
