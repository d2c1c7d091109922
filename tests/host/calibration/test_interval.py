"""The interval of a sum of laws, computed, against drawing and closed formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration.interval import LAWS, half_width
from steelyard.calibration.uncertainty import DIVISORS, Budget, BudgetLine

DRAWN = 400_000


def drawn(law: str, deviation: float, random: np.random.Generator) -> np.ndarray:
    """Values of a law with this standard deviation, made without its density."""
    one, two = random.uniform(-1.0, 1.0, (2, DRAWN))
    made = {
        "normal": random.normal(size=DRAWN),
        "rectangular": one * math.sqrt(3.0),
        "resolution": one * math.sqrt(3.0),
        "triangular": (one + two) * math.sqrt(1.5),
        "arcsine": np.sin(math.pi * one) * math.sqrt(2.0),
        "two-point": np.sign(one),
        "product": one * two * 3.0,
    }
    return np.asarray(made[law] * deviation)


@pytest.mark.parametrize(
    "parts",
    [
        (("rectangular", 1.0),),
        (("triangular", 1.0),),
        (("product", 1.0), ("normal", 0.3)),
        (("arcsine", 1.0), ("normal", 0.1)),
        (("two-point", 1.0), ("normal", 0.2)),
        (("two-point", 1.0), ("product", 0.3), ("triangular", 0.2)),
        (("two-point", 0.06), ("normal", 0.01), ("rectangular", 0.03), ("resolution", 1e-4)),
    ],
    ids=lambda parts: "+".join(law for law, _ in parts),
)
def test_against_drawing(parts: tuple[tuple[str, float], ...]) -> None:
    # as JCGM 101 does it: the share of drawn sums that the computed interval holds
    random = np.random.default_rng(101)
    total = np.sum([drawn(law, deviation, random) for law, deviation in parts], axis=0)
    u = math.sqrt(sum(deviation**2 for _, deviation in parts))
    held = np.mean(np.abs(total) <= half_width(parts) * u)
    assert held == pytest.approx(0.95, abs=4.0 * math.sqrt(0.95 * 0.05 / DRAWN))


def test_one_law_by_its_own_formula() -> None:
    assert half_width([("rectangular", 2.0)]) == pytest.approx(0.95 * math.sqrt(3.0), abs=2e-4)
    # triangular: 1 - (1 - x/a)² = 0.95 with a = √6 u
    expected = (1.0 - math.sqrt(0.05)) * math.sqrt(6.0)
    assert half_width([("triangular", 7.0)]) == pytest.approx(expected, abs=2e-4)
    assert half_width([("normal", 0.1)]) == pytest.approx(1.959964, abs=2e-4)
    assert half_width([("normal", 1.0)], 0.6827) == pytest.approx(1.0, abs=2e-4)


def test_two_points_alone_need_no_more_than_themselves() -> None:
    # the smoothing shows here and nowhere else: 1.02 instead of 1
    assert 1.0 <= half_width([("two-point", 1.0)]) < 1.03


@given(
    st.lists(st.tuples(st.sampled_from(sorted(LAWS)), st.floats(1e-3, 1e3)), min_size=1, max_size=8)
)
def test_never_narrower_than_a_point_nor_wider_than_the_widest_law(
    parts: list[tuple[str, float]],
) -> None:
    # the product of two rectangular laws has the longest tails among these: 2.10
    assert 1.0 <= half_width(parts) < 2.13


def test_every_law_of_a_budget_has_its_function() -> None:
    assert set(LAWS) == set(DIVISORS)
    for law in LAWS.values():
        # a characteristic function is 1 at nothing, and falls as half the variance does
        near = law(np.array([1e-3]))
        assert near == pytest.approx(1.0 - 0.5e-6, abs=2e-8)


def test_many_alike_come_close_to_normal_and_one_that_stands_out_does_not() -> None:
    alike = [BudgetLine(f"{n}", 1.0, "N", "rectangular") for n in range(12)]
    assert Budget(tuple(alike), "N").shape_factor == pytest.approx(1.0, abs=0.005)
    loud = BudgetLine("loud", 30.0, "N", "two-point")
    assert Budget((*alike, loud), "N").shape_factor < 0.65
    quiet = BudgetLine("quiet", 0.0, "N", "two-point")
    assert Budget((BudgetLine("x", 1.0, "N"), quiet), "N").shape_factor == 1.0
