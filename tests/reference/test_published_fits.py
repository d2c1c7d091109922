"""Fits against NIST StRD and the GUM's thermometer example."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.linalg
import scipy.stats
from reference.published import document, table
from steelyard.calibration.polynomial_fit import PolynomialFit, fit_polynomial
from steelyard.calibration.readings import mean_and_standard_error, sample_sd

CERTIFIED = document("nist_strd_certified.json")["datasets"]


def digits(found: float, certified: str) -> float:
    """Significant digits in agreement (log relative error)."""
    exact = float(certified)
    return 17.0 if found == exact else -math.log10(abs(found - exact) / abs(exact))


def fitted(name: str) -> PolynomialFit:
    rows = table(f"nist_strd_{name.lower()}.csv")
    x = np.array([float(row["x"]) for row in rows])
    y = np.array([float(row["y"]) for row in rows])
    certified = CERTIFIED[name]
    return fit_polynomial(x, y, certified["degree"], through_origin=not certified["intercept"])


@pytest.mark.parametrize("name", ["Pontius", "Norris", "NoInt1"])
def test_nist_strd_linear_regression(name: str) -> None:
    # NIST StRD certified values, https://www.itl.nist.gov/div898/strd/lls/
    fit, certified = fitted(name), CERTIFIED[name]
    assert fit.degrees_of_freedom == certified["residual_df"]
    for found, exact in zip(fit.coefficients, certified["estimates"], strict=True):
        assert digits(float(found), exact) >= 12.0
    for found, exact in zip(fit.standard_errors, certified["sd_of_estimates"], strict=True):
        assert digits(float(found), exact) >= 12.0
    assert digits(fit.residual_sd, certified["residual_sd"]) >= 12.0
    assert digits(fit.r_squared, certified["r_squared"]) >= 12.0


@pytest.mark.parametrize("name", ["NumAcc2", "NumAcc3", "NumAcc4"])
def test_nist_strd_mean_and_deviation(name: str) -> None:
    # NIST StRD univariate: a large offset under a small scatter, as in converter counts
    exact = document("nist_strd_numacc.json")["datasets"][name]
    first, high, low = (float(exact["first"][index]) for index in (0, 1, 2))
    values = [first, *([high, low] * 500)]
    mean, _ = mean_and_standard_error(values)
    assert digits(mean, exact["mean"]) >= 13.0
    # the data themselves carry only so many digits beyond the offset
    lost = math.log10(abs(first) / 0.1)
    assert digits(sample_sd(values), exact["sd"]) >= 15.0 - lost


def test_gum_h3_thermometer() -> None:
    # GUM (JCGM 100:2008) H.3.2 and H.3.4: line through 11 readings, prediction at 30 degrees C
    rows = table("gum_h3_readings.csv")
    results = document("gum_h3_results.json")
    t = np.array([float(row["t_k"]) for row in rows]) - 20.0
    b = np.array([float(row["b_k"]) for row in rows])
    fit = fit_polynomial(t, b, 1)
    exact = results["exact"]
    value, u = fit.predict(np.array([10.0]))
    found = {
        "y1": fit.coefficients[0],
        "y2": fit.coefficients[1],
        "u_y1": fit.standard_errors[0],
        "u_y2": fit.standard_errors[1],
        "cov_y1_y2": fit.covariance[0, 1],
        "s": fit.residual_sd,
        "b_30": value[0],
        "u_b_30": u[0],
    }
    for name, number in found.items():
        assert digits(float(number), exact[name]) >= 10.0, name
    printed = results["printed"]
    assert f"{found['b_30']:.4f}" == printed["b_30"]
    assert f"{found['u_b_30']:.4f}" == printed["u_b_30"]
    assert f"{found['y1']:.4f}" == printed["y1"]
    assert f"{found['u_y2']:.5f}" == printed["u_y2"]


def test_against_scipy() -> None:
    # an independent library, on a cubic with an abscissa like converter counts
    random = np.random.default_rng(5)
    x = np.linspace(40_000.0, 900_000.0, 25)
    y = 3.0 + 1.2e-3 * x - 2e-11 * x**2 + random.normal(0.0, 0.01, x.size)
    fit = fit_polynomial(x, y, 3)

    powers = np.vander(x / 1e6, 4, increasing=True)
    found, residual_sum, _, _ = scipy.linalg.lstsq(powers, y)
    covariance = residual_sum / (x.size - 4) * scipy.linalg.inv(powers.T @ powers)
    scale = 1e6 ** np.arange(4)
    np.testing.assert_allclose(fit.coefficients * scale, found, rtol=1e-7)
    np.testing.assert_allclose(fit.standard_errors * scale, np.sqrt(np.diag(covariance)), rtol=1e-9)


def test_line_against_scipy() -> None:
    # scipy.stats.linregress has the standard errors of both constants
    random = np.random.default_rng(6)
    x = np.linspace(0.0, 981.0, 11)
    y = 40_000.0 + 812.5 * x + random.normal(0.0, 30.0, x.size)
    fit, line = fit_polynomial(x, y, 1), scipy.stats.linregress(x, y)
    np.testing.assert_allclose(fit.coefficients, [line.intercept, line.slope], rtol=1e-12)
    np.testing.assert_allclose(fit.standard_errors, [line.intercept_stderr, line.stderr], rtol=1e-6)
