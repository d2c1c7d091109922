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
    age_days: float = 0.0,
) -> Budget:
    """Budget of one reading at a force, in newtons.

    ``counts_standard_error`` left out: a single sample with the noise seen when
    calibrating.  ``age_days``: time since the calibration.
    """
    at = np.array([force_newtons])
    per_count = 1.0 / abs(float(model.curve.slope(at)[0]))
    noise = model.sample_noise_counts if counts_standard_error is None else counts_standard_error
    half_loop = float(model.loop_half_counts(at)[0])
    free = model.interpolation_degrees_of_freedom
    measured = zero is None and model.run_count > 1
    zero_free = float(model.run_count - 1) if measured else math.inf
    zero_counts = model.zero_uncertainty_counts(zero)
    size = abs(force_newtons)
    lines = (
        *_curve_lines(model, model.rows(at, zero)[0], per_count),
        *_scale_lines(model, size),
        BudgetLine("creep", float(model.creep_newtons(at)[0]), "N", "triangular"),
        _zero_return_line(model, zero),
        *_repeatability(model, model.repeatability_relative, size),
        BudgetLine("reversibility (half the loop)", half_loop, "counts", "two-point", per_count),
        BudgetLine(
            "interpolation", model.interpolation_counts, "counts", "normal", per_count, free, "A"
        ),
        BudgetLine(
            "zero", zero_counts, "counts", "normal", per_count, zero_free, "A" if measured else "B"
        ),
        *_later_lines(model, size, age_days, zero),
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
        *_repeatability(model, _mean_repeatability(model), size),
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
    free = runs - 1.0 if runs > 1 else math.inf
    if runs < 2:
        between = model.zero_uncertainty_counts(None)
    per_newton = abs(model.sensitivity_counts_per_newton)
    half_return = 0.5 * model.zero_return_newtons * per_newton
    creep_counts = model.creep_relative * model.curve.span_newtons * per_newton
    lines = (
        *_curve_lines(model, model.curve.basis(at)[0], 1.0),
        BudgetLine("zero between runs", between, "counts", "normal", 1.0, free, "A"),
        BudgetLine("creep of the loads before", creep_counts, "counts", "rectangular"),
        BudgetLine("zero return (half of it)", half_return, "counts", "two-point"),
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


def _zero_return_line(model: ForceModel, zero: Zeroing | None) -> BudgetLine:
    """What earlier loads left behind; see ``ForceModel.zero_return_newtons``."""
    whole = model.zero_return_newtons
    if zero is None:
        return BudgetLine("zero return", 0.5 * whole, "N", "rectangular")
    return BudgetLine("zero return", whole, "N", "triangular")


def _scale_lines(model: ForceModel, size: float) -> tuple[BudgetLine, BudgetLine]:
    """What stretches all forces alike; ``size`` is what they are shares of."""
    return (
        BudgetLine("gravity", model.gravity_relative, "relative", "normal", size),
        BudgetLine("air buoyancy", model.buoyancy_relative, "relative", "normal", size),
    )


def _later_lines(
    model: ForceModel, size: float, age_days: float, zero: Zeroing | None
) -> tuple[BudgetLine, ...]:
    """What time, temperature and mounting may have done since the calibration."""
    later = model.in_service
    warmth = later.sensitivity_by_temperature_relative
    zero_shift = model.zero_by_temperature_newtons(zero)
    drift = later.drift_relative(age_days)
    return (
        BudgetLine(f"drift over {age_days:.0f} days", drift, "relative", "rectangular", size),
        BudgetLine("temperature on sensitivity", warmth, "relative", "product", size),
        BudgetLine("temperature on zero", zero_shift, "N", "product"),
        BudgetLine("side loads", later.side_load_relative, "relative", "rectangular", size),
    )


def _repeatability(model: ForceModel, relative: float, size: float) -> tuple[BudgetLine, ...]:
    """What the runs show, and the bound that stands in where there are too few."""
    lines = []
    if model.run_count > 1:
        free = model.run_count - 1
        lines.append(
            BudgetLine(
                "repeatability between runs", relative, "relative", "normal", size, free, "A"
            )
        )
    if model.few_runs_relative > 0.0:
        runs = "one run" if model.run_count < 2 else "two runs"
        name, bound = f"repeatability (assumed: {runs})", model.few_runs_relative
        lines.append(BudgetLine(name, bound, "relative", "rectangular", size))
    return tuple(lines)


def _mean_repeatability(model: ForceModel) -> float:
    """Of the mean slope of all runs: only what scatter within runs does not already explain.

    The scatter is in the fit's own line; the difference of variances is that of
    the analysis of variance (GUM H.5).
    """
    if model.run_count < 2:
        return 0.0
    between = model.run_slope_sd_relative**2 - model.run_slope_noise_relative**2
    return math.sqrt(max(0.0, between) / model.run_count)


def _spread(row: Array, covariance: tuple[tuple[float, ...], ...]) -> float:
    return math.sqrt(max(0.0, float(row @ np.array(covariance) @ row)))
