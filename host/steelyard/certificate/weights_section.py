"""The weights of a calibration and where their masses come from."""

from __future__ import annotations

from steelyard.calibration.quantity import Quantity
from steelyard.calibration.weights import Weight
from steelyard.printed.document import Section, Table


def weights_section(quantity: Quantity) -> Section:
    """How each mass is known, and whether it is traceable."""
    force = quantity.force
    bound = 1e6 * force.conditions.mass_bound_relative
    if not force.weights:
        return Section(
            "Weights and traceability",
            paragraphs=(
                "The weights were not named. Their marked masses were taken to be right within "
                f"{bound:.0f} ppm, all alike wrong. Not traceable.",
            ),
        )
    rows = tuple(_weight_row(weight) for weight in force.weights)
    untraced = [weight.name for weight in force.weights if not weight.traceable]
    said = "Traceable through what the table names; certificates are kept with the weights."
    if untraced:
        said = f"NOT traceable, weighed in house: {', '.join(untraced)}."
    return Section(
        "Weights and traceability",
        paragraphs=(said,),
        tables=(
            Table(
                ("weight", "known by", "traceable", "marked (kg)", "mass (kg)", "u (g)", "kg/m³"),
                rows,
                (1.8, 3.0, 1.0, 1.1, 1.3, 0.9, 0.9),
                left=3,
            ),
        ),
    )


def _weight_row(weight: Weight) -> tuple[str, ...]:
    known = f"class {weight.oiml_class} of OIML R 111"
    if weight.expanded_kg:
        how = "certified" if weight.traceable else "weighed"
        known = f"{how} ± {1000.0 * weight.expanded_kg:.3g} g (k = {weight.coverage_factor:g})"
    elif weight.mpe_kg:
        known = f"stated bound ± {1000.0 * weight.mpe_kg:.3g} g"
    if weight.certificate:
        known += f", {weight.certificate}"
    return (
        weight.name,
        known,
        "yes" if weight.traceable else "NO",
        f"{weight.nominal_kg:g}",
        f"{weight.mass_kg:.4f}",
        f"{1000.0 * weight.standard_uncertainty_kg:.3g}",
        f"{weight.density_kg_m3:.0f}",
    )
