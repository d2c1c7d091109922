"""Least squares and polynomials: what they refuse, and properties that must hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration.least_squares import solve
from steelyard.calibration.polynomial_fit import fit_polynomial
from steelyard.errors import CalibrationError, PoorFitError

coefficients = st.lists(st.floats(-10.0, 10.0), min_size=2, max_size=4)


@given(coefficients, st.floats(-1e6, 1e6), st.floats(1e-3, 1e6))
def test_a_polynomial_through_its_own_points_is_found(
    truth: list[float], centre: float, width: float
) -> None:
    scaled = np.linspace(-1.0, 1.0, 9)
    x = centre + width * scaled
    u = (x - centre) / width  # as the rounding of x leaves it
    y = sum(value * u**power for power, value in enumerate(truth)) + 0.0 * u
    fit = fit_polynomial(x, y, len(truth) - 1)
    assert np.abs(fit.residuals).max() <= 1e-9 * (1.0 + np.abs(y).max()) * (
        1.0 + abs(centre) / width * 1e-6
    )
    assert fit.degrees_of_freedom == 9 - len(truth)


def test_scale_of_a_column_does_not_matter() -> None:
    random = np.random.default_rng(1)
    design = random.normal(size=(12, 3))
    response = random.normal(size=12)
    plain = solve(design, response)
    scaled = solve(design * np.array([1e-12, 1.0, 1e15]), response)
    np.testing.assert_allclose(scaled.estimates * [1e-12, 1.0, 1e15], plain.estimates, rtol=1e-11)
    np.testing.assert_allclose(scaled.residuals, plain.residuals, atol=1e-12)
    np.testing.assert_allclose(scaled.projector @ response, scaled.estimates, rtol=1e-11)


def test_covariance_of_estimates_is_their_scatter() -> None:
    random = np.random.default_rng(2)
    design = np.column_stack([np.ones(8), np.arange(8.0)])
    found = [solve(design, 3.0 + random.normal(0.0, 2.0, 8)) for _ in range(4000)]
    scatter = np.cov([fit.estimates for fit in found], rowvar=False)
    expected = 4.0 * found[0].inverse_normal
    np.testing.assert_allclose(scatter, expected, rtol=0.1)
    assert np.mean([fit.residual_sd**2 for fit in found]) == pytest.approx(4.0, rel=0.05)


@pytest.mark.parametrize(
    "design",
    [
        np.ones((2, 3)),
        np.column_stack([np.ones(5), 2.0 * np.ones(5)]),
        np.column_stack([np.ones(5), np.zeros(5)]),
    ],
    ids=["too few rows", "dependent", "empty column"],
)
def test_undetermined_is_refused(design: np.ndarray) -> None:
    with pytest.raises(PoorFitError, match="cannot determine"):
        solve(design, np.arange(float(design.shape[0])))


def test_not_a_number_is_refused() -> None:
    with pytest.raises(CalibrationError, match="finite"):
        solve(np.ones((3, 1)), np.array([1.0, np.nan, 2.0]))


@pytest.mark.parametrize(
    ("x", "degree"), [([1.0, 1.0, 1.0], 1), ([], 1), ([1.0, 2.0], 0), ([1.0, 2.0, 1.0], 2)]
)
def test_points_that_make_no_curve(x: list[float], degree: int) -> None:
    with pytest.raises(PoorFitError):
        fit_polynomial(np.array(x), np.arange(float(len(x))), degree)


def test_as_many_points_as_unknowns_leave_no_spread() -> None:
    fit = fit_polynomial(np.array([0.0, 2.0]), np.array([1.0, 5.0]), 1)
    assert fit.coefficients == pytest.approx([1.0, 2.0])
    assert fit.degrees_of_freedom == 0
    assert fit.residual_sd == 0.0


def test_prediction_through_the_origin_is_sure_at_the_origin() -> None:
    x = np.array([60.0, 65.0, 70.0])
    fit = fit_polynomial(x, 2.0 * x + [0.1, -0.1, 0.1], 1, through_origin=True)
    value, u = fit.predict(np.array([0.0, 60.0]))
    assert value[0] == 0.0
    assert u[0] == 0.0
    assert u[1] > 0.0
