"""Sections of a force or torque certificate: method, results, budget, weights."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from steelyard.calibration.least_squares import Array
from steelyard.calibration.load_cell_class import class_sentence
from steelyard.calibration.quantity import Quantity
from steelyard.calibration.readings import Direction
from steelyard.calibration.reference_forces import ReferenceForces, reference_forces
from steelyard.calibration.response_fit import ResponseFit, fit_response
from steelyard.calibration.uncertainty import Budget
from steelyard.calibration.zeroing import Zeroing
from steelyard.certificate.budget_section import uncertainty_section
from steelyard.certificate.plots import draw_loop, draw_residuals
from steelyard.certificate.weights_section import weights_section
from steelyard.printed.document import Picture, Section, Table
from steelyard.printed.drawing import picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SCATTER: Final = (
    "fit to the readings",
    "creep",
    "zero return",
    "repeatability between runs",
    "repeatability (assumed: one run)",
    "repeatability (assumed: two runs)",
    "reversibility (half the loop)",
    "interpolation",
    "resolution",
    "noise of this reading",
)
"""Lines of the budget that differ from reading to reading; the others are common to all."""


@dataclass(frozen=True)
class Circumstances:
    """When, by whom, and what else was written down."""

    taken_at: str
    operator: str
    note: str


@dataclass(frozen=True)
class _Refitted:
    """The readings once more on their curve."""

    forces: ReferenceForces
    fit: ResponseFit


def sections(quantity: Quantity) -> list[Section]:
    """Method and place, results with drawings, uncertainty, weights."""
    again = _refit(quantity)
    return [
        _method(quantity),
        _results(quantity, again),
        _figures(quantity, again),
        uncertainty_section(quantity),
        weights_section(quantity),
    ]


def _refit(quantity: Quantity) -> _Refitted:
    force = quantity.force
    named = {weight.name: weight for weight in force.weights}
    forces = reference_forces(force.points, named, force.conditions)
    return _Refitted(forces, fit_response(force.points, forces, force.model.curve.degree))


def _method(quantity: Quantity) -> Section:
    force, conditions = quantity.force, quantity.force.conditions
    later = conditions.in_service
    temperature = conditions.temperature_celsius
    facts = [
        (
            "Method",
            f"{len(force.points)} readings at rest, {len(force.points) // force.model.run_count} a "
            "run; loads up and down, zero before and after; counts fitted as a polynomial of "
            f"degree {force.model.curve.degree} in the load, inverted exactly",
        ),
        ("Runs", str(force.model.run_count)),
        (
            "Gravity",
            f"{conditions.gravity.value:.5f} ± {2.0 * conditions.gravity.standard_uncertainty:.5f} "
            f"m/s² (k = 2), {conditions.gravity.source}",
        ),
        (
            "Air",
            f"{conditions.air.density:g} ± {2.0 * conditions.air.standard_uncertainty:g} kg/m³ "
            "(k = 2)",
        ),
        ("Temperature", "not stated" if temperature is None else f"{temperature:g} °C"),
        (
            "Valid for",
            f"sessions within {later.temperature_half_range_kelvin:g} K of that temperature, "
            f"{later.valid_days:g} days",
        ),
    ]
    if quantity.arm is not None:
        arm = quantity.arm
        facts.insert(
            1,
            (
                "Lever arm",
                f"weights hung {arm.length_metres:g} ± {2.0 * arm.length_uncertainty_metres:.2g} m "
                f"from the axis, arm at {arm.angle_degrees:g} ± "
                f"{2.0 * arm.angle_uncertainty_degrees:.2g}° from horizontal (k = 2); "
                "torque = force × length × cos(angle)",
            ),
        )
    return Section("Method and conditions", facts=tuple(facts))


def _results(quantity: Quantity, again: _Refitted) -> Section:
    force, model = quantity.force, quantity.force.model
    unit = quantity.unit
    loads = again.forces.newtons * quantity.per_newton
    per_unit = model.sensitivity_counts_per_newton / quantity.per_newton
    residuals = again.fit.residuals_counts / per_unit
    rising = [point.direction is Direction.UP for point in force.points]
    runs = [point.run for point in force.points]
    at = np.linspace(quantity.low, quantity.high, 41)
    inner = np.array([_own_scatter(quantity, value, 0.0) for value in at])
    outer = np.array([_own_scatter(quantity, value, None) for value in at])

    def draw(axes: Axes) -> None:
        draw_residuals(axes, loads, residuals, rising, runs, (at, inner, outer), unit)

    rows = []
    for mass in sorted({point.mass_kg for point in force.points}):
        members = [index for index, point in enumerate(force.points) if point.mass_kg == mass]
        load = float(loads[members].mean())
        own = residuals[members]
        rows.append(
            (
                f"{mass:g}",
                f"{load:.2f}",
                f"{np.mean([force.points[index].counts_mean for index in members]):.0f}",
                str(len(members)),
                f"{own.mean():+.3f}",
                f"{own.max() - own.min():.3f}",
                f"{_expanded(quantity, load, 0.0):.3f}",
                f"{_expanded(quantity, load, None):.3f}",
            )
        )
    return Section(
        "Results",
        tables=(
            Table(
                (
                    "mass (kg)",
                    f"load ({unit})",
                    "mean counts",
                    "readings",
                    f"mean off curve ({unit})",
                    f"spread ({unit})",
                    f"U averaged ({unit})",
                    f"U one sample ({unit})",
                ),
                tuple(rows),
                (1.0, 1.1, 1.2, 1.0, 1.3, 1.1, 1.3, 1.3),
                left=0,
                caption="U: expanded uncertainty (95 %) of a later reading at that load, zeroed, "
                "on the day of the calibration",
            ),
        ),
        pictures=(
            picture(
                draw,
                "Every reading less the fitted curve, zeros of the runs taken off. The bands show "
                "how far a later reading may scatter about the curve (95 %): without what is "
                "common to all readings, such as weights, gravity and arm.",
            ),
        ),
    )


def _expanded(quantity: Quantity, value: float, noise: float | None) -> float:
    zero = Zeroing(0.0, 0.0, "")
    return quantity.budget(
        float(value), zero=zero, counts_standard_error=noise
    ).expanded_uncertainty


def _own_scatter(quantity: Quantity, value: float, noise: float | None) -> float:
    """95 % half-width of what scatters about the curve; what all readings share is left out."""
    zero = Zeroing(0.0, 0.0, "")
    budget = quantity.budget(float(value), zero=zero, counts_standard_error=noise)
    lines = tuple(line for line in budget.lines if line.name in SCATTER)
    return Budget(lines, budget.unit).expanded_uncertainty


def _figures(quantity: Quantity, again: _Refitted) -> Section:
    rows = tuple(
        (
            figure.name,
            "not shown" if figure.percent is None else f"{figure.percent:.4f}",
            figure.definition,
            figure.source,
        )
        for figure in quantity.force.figures
    )
    table = Table(
        ("figure", "% of span", "definition", "source"), rows, (2.2, 1.0, 4.6, 3.0), left=4
    )
    loads, up, down = _loop(quantity, again)
    drawings: tuple[Picture, ...] = ()
    if loads.size > 1:

        def draw(axes: Axes) -> None:
            draw_loop(axes, loads, up, down, quantity.unit)

        drawings = (
            picture(draw, "Hysteresis loop: rising and falling readings, mean of all runs."),
        )
    said = class_sentence(quantity.force.figures)
    return Section(
        "Characteristics of the channel",
        paragraphs=(said,) if said else (),
        tables=(table,),
        pictures=drawings,
    )


def _loop(quantity: Quantity, again: _Refitted) -> tuple[Array, Array, Array]:
    """Loads reached both ways, and mean deviations (% of span) rising and falling."""
    curve = again.fit.curve
    ends = curve.counts(np.array([curve.low_newtons, curve.high_newtons]))
    newtons = again.forces.newtons
    straight = ends[0] + (ends[1] - ends[0]) * (newtons - curve.low_newtons) / curve.span_newtons
    off = 100.0 * (curve.counts(newtons) + again.fit.residuals_counts - straight)
    off /= abs(float(ends[1] - ends[0]))
    loads, up, down = [], [], []
    points = quantity.force.points
    top = max(point.mass_kg for point in points)
    for mass in sorted({point.mass_kg for point in points}):
        by_way = {
            way: [
                float(off[index])
                for index, point in enumerate(points)
                if point.mass_kg == mass and point.direction is way
            ]
            for way in Direction
        }
        if mass == top:  # where the two branches meet
            every = by_way[Direction.UP] + by_way[Direction.DOWN]
            by_way = dict.fromkeys(Direction, every)
        if all(by_way.values()):
            loads.append(float(newtons[[p.mass_kg == mass for p in points]].mean()))
            up.append(math.fsum(by_way[Direction.UP]) / len(by_way[Direction.UP]))
            down.append(math.fsum(by_way[Direction.DOWN]) / len(by_way[Direction.DOWN]))
    return np.array(loads) * quantity.per_newton, np.array(up), np.array(down)
