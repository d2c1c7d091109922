"""Student's t, Fisher's F and effective degrees of freedom against the GUM and scipy."""

from __future__ import annotations

import math

import pytest
import scipy.stats
from reference.published import document, table
from steelyard.calibration.interval import half_width
from steelyard.calibration.student_t import f_above, incomplete_beta, t_factor, t_outside
from steelyard.calibration.uncertainty import combine, coverage_factor, effective_degrees_of_freedom

# "68.27" and its like stand for one, two and three standard deviations (footnote of the table)
SIGMAS = {"68.27": 1.0, "95.45": 2.0, "99.73": 3.0}
PRINTING_SLIPS = {("35", "90")}


@pytest.mark.parametrize(
    "row", table("gum_table_g2.csv"), ids=lambda r: f"{r['nu']}-{r['p_percent']}"
)
def test_gum_table_g2(row: dict[str, str]) -> None:
    # GUM (JCGM 100:2008) table G.2 = NIST TN 1297 table B.1
    percent = row["p_percent"]
    sigma = SIGMAS.get(percent)
    p = math.erf(sigma / math.sqrt(2.0)) if sigma else float(percent) / 100.0
    nu = math.inf if row["nu"] == "inf" else float(row["nu"])
    digits = len(row["t_printed"].split(".")[1])
    found = f"{t_factor(p, nu):.{digits}f}"
    if (row["nu"], percent) in PRINTING_SLIPS:
        assert found != row["t_printed"]
        assert found == "1.69"
    else:
        assert found == row["t_printed"]


@pytest.mark.parametrize("nu", [0.3, 1.0, 1.7, 2.0, 5.0, 16.75, 100.0, 12345.0, 1e6, 1e9])
@pytest.mark.parametrize("p", [0.5, 0.6827, 0.95, 0.9545, 0.999, 1 - 1e-9])
def test_t_against_scipy(p: float, nu: float) -> None:
    assert t_factor(p, nu) == pytest.approx(scipy.stats.t.isf((1.0 - p) / 2.0, nu), rel=2e-7)


@pytest.mark.parametrize("t", [0.0, 0.1, 1.0, 3.0, 12.0, 60.0])
@pytest.mark.parametrize("nu", [1.0, 2.5, 9.0, 200.0])
def test_t_tail_against_scipy(t: float, nu: float) -> None:
    assert t_outside(t, nu) == pytest.approx(2.0 * scipy.stats.t.sf(t, nu), rel=1e-11)


@pytest.mark.parametrize("ratio", [0.01, 0.5, 1.0, 4.0, 30.0, 900.0])
@pytest.mark.parametrize("dof", [(1, 5), (2, 37), (5, 5), (11, 240)])
def test_f_against_scipy(ratio: float, dof: tuple[int, int]) -> None:
    assert f_above(ratio, *dof) == pytest.approx(scipy.stats.f.sf(ratio, *dof), rel=1e-10)


@pytest.mark.parametrize("x", [1e-9, 0.01, 0.3, 0.5, 0.9, 1 - 1e-9])
@pytest.mark.parametrize("a", [0.5, 1.0, 3.3, 50.0])
@pytest.mark.parametrize("b", [0.5, 2.0, 80.0])
def test_incomplete_beta_against_scipy(a: float, b: float, x: float) -> None:
    exact = scipy.special.betainc(a, b, x)
    assert incomplete_beta(a, b, x) == pytest.approx(exact, rel=1e-10, abs=1e-13)


def test_gum_h1_effective_degrees_of_freedom() -> None:
    # GUM (JCGM 100:2008) H.1.6, equation G.2b: end gauge
    example = document("gum_h1.json")
    d, gauge = example["step_d"], example["step_l"]
    # the printed 25.6 uses the rounded sum 9.7 nm over the rounded components
    rounding = d["u_c"] / combine(u for u, _ in d["terms"])
    nu_d = effective_degrees_of_freedom(d["terms"]) * rounding**4
    assert nu_d == pytest.approx(d["nu_eff"], abs=5e-5)
    assert f"{nu_d:.1f}" == d["printed"]
    nu = effective_degrees_of_freedom(gauge["terms_unrounded"])
    # the sum of these four; the reference's own sum is rounded in the sixth digit
    assert nu == pytest.approx(gauge["nu_eff_unrounded"], abs=1e-3)
    k = coverage_factor(nu, 0.99)
    assert k == pytest.approx(example["expanded"]["t"], abs=5e-5)
    assert f"{k:.2f}" == example["expanded"]["t_printed"]
    u = gauge["u_c_unrounded_nm"]
    assert k * u == pytest.approx(example["expanded"]["U99_nm"], abs=2e-3)


def test_jcgm_101_additive_model() -> None:
    # JCGM 101:2008 clause 9.2, cited from memory: four rectangular quantities, U = 3.88 where
    # the GUM has 3.92; its closed formula 2√3 (2 - (3/5)^(1/4)) was worked out again here
    four = [("rectangular", 1.0)] * 4
    exact = 2.0 * math.sqrt(3.0) * (2.0 - 0.6**0.25)
    assert half_width(four) * 2.0 == pytest.approx(exact, abs=5e-4)
    assert f"{half_width(four) * 2.0:.2f}" == "3.88"
    # one of them ten times as wide: 17.0 where the GUM has 19.9
    one_large = [*four[:3], ("rectangular", 10.0)]
    assert f"{half_width(one_large) * math.sqrt(103.0):.1f}" == "17.0"
    # normal ones: the GUM is right
    assert f"{half_width([('normal', 1.0)] * 4) * 2.0:.2f}" == "3.92"


def test_rectangular_alone_against_scipy() -> None:
    # also EA-4/02, example S9: k = 1.65 where one rectangular source rules (from memory)
    exact = scipy.stats.uniform(-math.sqrt(3.0), 2.0 * math.sqrt(3.0)).ppf(0.975)
    assert half_width([("rectangular", 1.0)]) == pytest.approx(exact, abs=2e-4)
    assert f"{half_width([('rectangular', 1.0)]):.2f}" == "1.65"
