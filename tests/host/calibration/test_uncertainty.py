"""The budget: its lines, its sum, and how a result is printed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration.student_t import t_factor
from steelyard.calibration.uncertainty import (
    DIVISORS,
    Budget,
    BudgetLine,
    coverage_factor,
    effective_degrees_of_freedom,
    format_measurement,
)
from steelyard.errors import CalibrationError


@pytest.mark.parametrize(
    ("distribution", "expected"),
    # GUM (JCGM 100:2008) 4.3.7 to 4.3.9, F.2.2.1: variance integrals of the named densities
    [
        ("rectangular", 0.5773502691896258),
        ("triangular", 0.4082482904638631),
        ("arcsine", 0.7071067811865475),
        ("resolution", 0.2886751345948129),
        ("normal", 1.0),
        ("two-point", 1.0),
    ],
)
def test_divisors(distribution: str, expected: float) -> None:
    line = BudgetLine("x", 1.0, "N", distribution)
    assert line.standard_uncertainty == pytest.approx(expected, rel=1e-15)
    assert distribution in DIVISORS


def test_a_budget_adds_in_squares_and_weighs_degrees_of_freedom() -> None:
    budget = Budget(
        (
            BudgetLine(
                "fit", 3.0, "counts", sensitivity=-0.01, degrees_of_freedom=5, evaluation="A"
            ),
            BudgetLine("mass", 0.04, "N"),
        ),
        "N",
    )
    assert budget.standard_uncertainty == pytest.approx(0.05)
    assert budget.degrees_of_freedom == pytest.approx(5 * 0.05**4 / 0.03**4)
    assert budget.coverage_factor == t_factor(0.95, 38)
    assert budget.expanded_uncertainty == pytest.approx(0.05 * budget.coverage_factor)
    lines = budget.table_lines()
    assert lines[1].startswith("mass")  # the largest first
    assert "effective dof 39, k = 2.02" in lines[-1]


def test_k_is_students_t_times_the_shape() -> None:
    few = BudgetLine("fit", 0.03, "N", degrees_of_freedom=5, evaluation="A")
    flat = BudgetLine("mass", 0.04 * math.sqrt(3.0), "N", "rectangular")
    budget = Budget((few, flat), "N")
    assert budget.shape_factor < 1.0
    assert budget.coverage_factor == pytest.approx(t_factor(0.95, 38) * budget.shape_factor)
    # a rectangular source alone: 95 % of it, and not more than there is
    assert Budget((flat,), "N").expanded_uncertainty == pytest.approx(0.95 * flat.value, rel=1e-3)


@given(st.lists(st.tuples(st.floats(1e-6, 1e6), st.floats(1.0, 1e6)), min_size=1, max_size=6))
def test_effective_degrees_of_freedom_lie_between_least_and_sum(
    terms: list[tuple[float, float]],
) -> None:
    # GUM G.4.1: never above the sum; never below the least
    found = effective_degrees_of_freedom(terms)
    assert min(dof for _, dof in terms) * (1 - 1e-9) <= found
    assert found <= sum(dof for _, dof in terms) * (1 + 1e-9)


def test_lines_known_exactly_leave_k_normal() -> None:
    assert effective_degrees_of_freedom([(1.0, math.inf), (0.0, 2.0)]) == math.inf
    assert coverage_factor(math.inf) == pytest.approx(1.959964, abs=1e-6)


def test_degrees_of_freedom_are_truncated_as_the_gum_does() -> None:
    assert coverage_factor(16.9) == coverage_factor(16.0)
    assert coverage_factor(2.9999999999) == coverage_factor(3.0)
    assert coverage_factor(0.5) == t_factor(0.95, 0.5)


@pytest.mark.parametrize(("p", "nu"), [(0.0, 5.0), (1.0, 5.0), (0.95, 0.0), (0.95, math.nan)])
def test_no_factor_for_nonsense(p: float, nu: float) -> None:
    with pytest.raises(CalibrationError, match="coverage factor"):
        t_factor(p, nu)


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        (212.3, 3.7, "212 ± 4 N (k = 2.0)"),
        (212.3, 4.0, "212 ± 4 N (k = 2.0)"),
        (212.34, 1.31, "212.3 ± 1.4 N (k = 2.0)"),
        (212.34, 0.0131, "212.340 ± 0.014 N (k = 2.0)"),
        (981.09, 0.2402, "981.09 ± 0.24 N (k = 2.0)"),
        (0.02, 0.5, "0.0 ± 0.5 N (k = 2.0)"),
        (-0.02, 0.5, "0.0 ± 0.5 N (k = 2.0)"),
        (12345.6, 220.0, "12350 ± 220 N (k = 2.0)"),
        (12345.6, 297.0, "12300 ± 300 N (k = 2.0)"),
        (5.0, 0.99, "5.0 ± 1.0 N (k = 2.0)"),
        (5.0, 9.99, "5 ± 10 N (k = 2.0)"),
    ],
)
def test_printing_keeps_the_digits_that_mean_something(
    value: float, expanded: float, text: str
) -> None:
    # GUM 7.2.6: at most two digits of uncertainty, rounded up; the value to the same place
    assert format_measurement(value, expanded, "N") == text


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_printed_uncertainty_is_never_much_smaller(value: float, expanded: float) -> None:
    text = format_measurement(value, expanded, "N")
    printed_value, rest = text.split(" ± ")
    printed = float(rest.split(" ")[0])
    assert printed >= 0.98 * expanded
    assert printed <= 1.35 * expanded
    assert abs(float(printed_value) - value) <= 0.51 * printed


def test_unknown_uncertainty_is_said() -> None:
    assert "not known" in format_measurement(1.0, math.nan, "N")
    assert "not known" in format_measurement(1.0, 0.0, "N")
