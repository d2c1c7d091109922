"""From a fit to a model that is used later, and the remarks that go with it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from steelyard.calibration.applied import ENOUGH_RUNS, ForceModel
from steelyard.calibration.creep_test import CreepTest
from steelyard.calibration.readings import Conditions, LoadPoint
from steelyard.calibration.reference_forces import ReferenceForces
from steelyard.calibration.response_fit import ResponseFit, between_run_sd

MANY_RUNS: Final = 5
POOR_REPEATABILITY: Final = 2e-4
"""Standard deviation between runs, as a share of the load, from which three runs are few: where
it outweighs all else, intervals from three runs held the truth 91 to 95 times in 100 (simulated,
at 5e-4)."""

WANDERING_ZERO: Final = 1e-3
"""Standard deviation of the zeros of the runs, as a share of the span, that is worth a word
(common practice, no source)."""

CREEP_PER_ZERO_RETURN: Final = 2.0
"""Bound of creep over zero return: half has crept back while the loads came off one by one
(common practice, no source; OIML R 60 allows 1.5 times as much creep as zero return)."""


def force_model(
    points: Sequence[LoadPoint],
    conditions: Conditions,
    forces: ReferenceForces,
    fit: ResponseFit,
    creep: CreepTest | None,
) -> ForceModel:
    """All that later readings need, from what the fit found."""
    deviations = np.array([mean for _, mean in fit.deviations])
    free = max(1, deviations.size - fit.curve.degree - 1)
    noise = [point.counts_standard_error**2 * point.sample_count for point in points]
    return ForceModel(
        curve=fit.curve,
        readings_covariance=_rows(fit.readings_covariance),
        mass_covariance=_rows(fit.mass_covariance),
        readings_degrees_of_freedom=fit.degrees_of_freedom,
        gravity_relative=forces.relative_gravity,
        buoyancy_relative=forces.relative_buoyancy,
        run_count=len(fit.run_zeros_counts),
        run_slope_sd_relative=between_run_sd(fit.run_slopes_relative),
        run_slope_noise_relative=fit.slope_variance_relative**0.5,
        run_zero_sd_counts=between_run_sd(fit.run_zeros_counts),
        assumed_repeatability_relative=conditions.assumed_repeatability_relative,
        creep_relative=_creep_bound(conditions, fit, creep),
        loop=fit.loop,
        interpolation_counts=float(np.sqrt(np.sum(deviations**2) / free)),
        interpolation_degrees_of_freedom=free,
        sample_noise_counts=float(np.sqrt(np.mean(noise))),
        in_service=conditions.in_service,
    )


def _creep_bound(conditions: Conditions, fit: ResponseFit, creep: CreepTest | None) -> float:
    """Bound of creep as a share of the force: stated, tested with a held load, or zero return.

    A cell that creeps under load creeps back when it is taken off, so the zero
    return shows how much.
    """
    if conditions.creep_bound_relative is not None:
        return conditions.creep_bound_relative
    if creep is not None:
        return creep.bound_relative
    ends = fit.curve.counts(np.array([fit.curve.low_newtons, fit.curve.high_newtons]))
    unloaded = [abs(half) for newtons, half in fit.loop if newtons == 0.0]
    return CREEP_PER_ZERO_RETURN * 2.0 * max(unloaded, default=0.0) / abs(float(ends[1] - ends[0]))


def _rows(matrix: np.ndarray[Any, np.dtype[np.float64]]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())


def remarks_of(
    points: Sequence[LoadPoint],
    conditions: Conditions,
    forces: ReferenceForces,
    model: ForceModel,
    creep: CreepTest | None,
) -> tuple[str, ...]:
    """What a person should know before trusting the calibration."""
    span = abs(model.sensitivity_counts_per_newton) * model.curve.span_newtons
    zero_wander = model.run_zero_sd_counts / span
    loads = len({point.mass_kg for point in points if point.mass_kg > 0.0})
    said = [
        (model.run_count < 2, "one run only: repeatability is assumed, not measured"),
        (
            model.run_count == ENOUGH_RUNS - 1,
            "two runs only: an assumed bound is added to the repeatability; take three",
        ),
        (
            ENOUGH_RUNS <= model.run_count < MANY_RUNS
            and model.run_slope_sd_relative > POOR_REPEATABILITY,
            f"the runs differ by {100.0 * model.run_slope_sd_relative:.3f} % (standard "
            "deviation): so few runs hardly show how much; take five or more",
        ),
        (
            zero_wander > WANDERING_ZERO,
            f"the zero wandered by {100.0 * zero_wander:.2f} % of the span between the runs "
            "(standard deviation): zero before measuring",
        ),
        (loads < 5, f"{loads} loads only; five or more show the shape of the response"),
        (not model.loop, "no load was reached both ways: reversibility is not known"),
        (not forces.all_traceable, "some weights were weighed in house: not traceable"),
        (
            any(not point.weights and point.mass_kg for point in points),
            "weights were not named: their errors are taken as fully alike, bound "
            f"{1e6 * conditions.mass_bound_relative:.0f} ppm",
        ),
        ("not stated" in conditions.gravity.source, "the place was not stated: gravity is wide"),
        (
            not conditions.taken_at,
            "not dated: its age is counted as nothing, and it has no due date",
        ),
        (
            creep is None and conditions.creep_bound_relative is None,
            "no creep test: creep is judged by the zero return",
        ),
        (
            model.interpolation_degrees_of_freedom < 2,
            "few loads for this degree: interpolation error is hardly known",
        ),
    ]
    return tuple(text for holds, text in said if holds)
