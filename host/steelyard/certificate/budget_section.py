"""The uncertainty budget on a certificate."""

from __future__ import annotations

import math

from steelyard.calibration.quantity import Quantity
from steelyard.calibration.uncertainty import DIVISORS, Budget, BudgetLine
from steelyard.printed.document import Section, Table


def uncertainty_section(quantity: Quantity) -> Section:
    """Budget of one sample at full scale, and what is left of it at the due date."""
    year = float(quantity.force.conditions.in_service.valid_days)
    today = quantity.budget(quantity.high)
    at_due = quantity.budget(quantity.high, age_days=year)
    return Section(
        "Uncertainty",
        paragraphs=(
            "By the GUM (JCGM 100:2008): independent sources, combined by the root of the sum of "
            "squares; effective degrees of freedom by Welch and Satterthwaite; k from Student's t "
            "for 95 %, times the shape of the sum's own law where one source stands out that is "
            "not normal (G.1.5, JCGM 101).",
            f"The same at the due date, {year:.0f} days on: "
            f"U = {at_due.expanded_uncertainty:.2g} {quantity.unit} "
            f"(k = {at_due.coverage_factor:.2f}).",
        ),
        tables=(
            budget_table(
                today,
                f"One sample at full scale ({quantity.high:.1f} {quantity.unit}), not zeroed, on "
                "the day of the calibration",
            ),
        ),
    )


def _amount(line: BudgetLine) -> str:
    """A value with its unit; shares of the load in parts per million."""
    if line.unit == "relative":
        return f"{_digits(1e6 * line.value)} ppm"
    return f"{_digits(line.value)} {line.unit}"


def _digits(value: float) -> str:
    """Three digits, without powers of ten for large ones."""
    return f"{value:.0f}" if abs(value) >= 999.5 else f"{value:.3g}"


def _factor(line: BudgetLine) -> str:
    """What the value is multiplied by, in the unit it is printed in."""
    return f"{line.sensitivity * (1e-6 if line.unit == 'relative' else 1.0):.3g}"


def budget_table(budget: Budget, what: str) -> Table:
    """A budget, largest contribution first, its total as the last row."""
    rows = [
        (
            line.name,
            line.evaluation,
            _amount(line),
            line.distribution,
            f"{DIVISORS[line.distribution]:.3g}",
            "∞" if math.isinf(line.degrees_of_freedom) else f"{line.degrees_of_freedom:.0f}",
            _factor(line),
            f"{line.contribution:.4f}",
        )
        for line in sorted(budget.lines, key=lambda line: -line.contribution)
        if line.contribution > 0.0
    ]
    free = budget.degrees_of_freedom
    rows.append(
        (
            f"combined; k = {budget.coverage_factor:.2f}, U = "
            f"{budget.expanded_uncertainty:.3g} {budget.unit} (95 %)",
            "",
            "",
            "",
            "",
            "∞" if free > 9999 else f"{free:.0f}",
            "",
            f"{budget.standard_uncertainty:.4f}",
        )
    )
    return Table(
        ("source", "type", "value", "law", "divisor", "dof", "sensitivity", f"u ({budget.unit})"),
        tuple(rows),
        (4.2, 0.6, 1.7, 1.4, 0.9, 0.6, 1.2, 1.1),
        left=2,
        caption=what,
        total=True,
    )
