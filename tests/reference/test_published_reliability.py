"""Reliability and agreement against the papers that define them."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from reference.published import table
from steelyard.strength.limits_of_agreement import limits_of_agreement
from steelyard.strength.reliability import mean_squares, reliability, sem_from_icc


def shrout_fleiss() -> np.ndarray:  # type: ignore[type-arg]
    rows = table("shrout_fleiss_1979.csv")
    return np.array([[float(row[f"judge{judge}"]) for judge in range(1, 5)] for row in rows])


@pytest.mark.parametrize(
    ("form", "printed", "exact"),
    [
        # Shrout and Fleiss 1979, Table 4; the last three as printed from memory.
        ("1,1", 0.17, Fraction(448, 2703)),
        ("2,1", 0.29, Fraction(184, 635)),
        ("3,1", 0.71, Fraction(920, 1287)),
        ("1,k", 0.44, Fraction(1792, 4047)),
        ("2,k", 0.62, Fraction(736, 1187)),
        ("3,k", 0.91, Fraction(3680, 4047)),
    ],
)
def test_six_forms_of_shrout_and_fleiss(form: str, printed: float, exact: Fraction) -> None:
    found = reliability(shrout_fleiss()).icc[form]
    assert round(found, 2) == printed
    assert found == pytest.approx(float(exact), rel=1e-12)


def test_mean_squares_of_shrout_and_fleiss() -> None:
    # Their Table 3: 11.24, 6.26, 32.49, 1.02; the fractions recomputed exactly.
    ms = mean_squares(shrout_fleiss())
    assert ms.between == pytest.approx(1349 / 120, rel=1e-12)
    assert ms.within == pytest.approx(451 / 72, rel=1e-12)
    assert ms.tests == pytest.approx(32.486111111111114, rel=1e-12)
    assert ms.error == pytest.approx(1.0194444444444444, rel=1e-12)


def test_error_of_measurement_and_smallest_change_of_weir() -> None:
    # Weir 2005: SEM = sqrt(error mean square) = SD sqrt(1 - ICC); MDC95 = 1.96 sqrt(2) SEM.
    found = reliability(shrout_fleiss())
    assert found.sem == pytest.approx(1.0096754153907306, rel=1e-12)
    assert found.mdc95 == pytest.approx(2.798677465438909, rel=1e-4)
    assert sem_from_icc(10.0, 0.91) == pytest.approx(3.0)


def pefr(column: str) -> list[float]:
    return [float(row[column]) for row in table("bland_altman_1986.csv")]


def test_limits_of_bland_and_altman() -> None:
    # Bland and Altman 1986: mean -2.1, SD 38.8, limits -79.7 and 75.5 (from the rounded ones,
    # with factor 2), interval of the lower limit -114.3 to -45.1, of the mean -22.0 to 17.8.
    found = limits_of_agreement(pefr("wright_1"), pefr("mini_1"), factor=2.0)
    assert round(found.mean, 1) == -2.1
    assert round(found.standard_deviation, 1) == 38.8
    assert found.lower == pytest.approx(-79.7, abs=0.1)
    assert found.upper == pytest.approx(75.5, abs=0.1)
    assert found.lower_interval == pytest.approx((-114.3, -45.1), abs=0.2)
    assert found.mean_interval == pytest.approx((-22.0, 17.8), abs=0.1)


def test_limits_with_the_factor_of_the_normal_law() -> None:
    # Recomputed from the same data.
    found = limits_of_agreement(pefr("wright_1"), pefr("mini_1"))
    assert found.lower == pytest.approx(-78.0973, abs=2e-3)
    assert found.upper == pytest.approx(73.862, abs=2e-3)


def test_repeats_of_one_meter() -> None:
    # Bland and Altman 1986: within-subject SD of the Wright meter 15.3 l/min.
    scores = np.column_stack([pefr("wright_1"), pefr("wright_2")])
    assert reliability(scores).sem_agreement == pytest.approx(15.306669057866863, rel=1e-9)
