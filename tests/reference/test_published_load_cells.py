"""Limits of load cells against the examples of OIML R 60-1:2021."""

from __future__ import annotations

import pytest
from host.calibration.synthetic import BINDING, Bench
from reference.published import document
from steelyard.calibration import calibrate_force
from steelyard.calibration.load_cell_class import (
    LOAD_BREAKS,
    class_sentence,
    creep_limit_intervals,
    permissible_error_intervals,
    supported_intervals,
)
from steelyard.errors import CalibrationError

R60 = document("oiml_r60.json")


@pytest.mark.parametrize("load", [400, 500, 501, 2000, 3000])
def test_permissible_errors_of_class_c(load: int) -> None:
    # OIML R 60-1:2021, 5.3 and its table: lower bound excluded, upper bound included
    expected = R60["recomputed_B"][f"C3_mpe_at_{load}v"]
    assert permissible_error_intervals("C", load) == pytest.approx(expected)


def test_creep_of_class_c3() -> None:
    # printed examples for class C3 at full load: 0.735 v over 30 min, 0.1575 v from 20 to 30 min
    whole, late = (float(item["limit_v"]) for item in R60["published_examples"])
    assert creep_limit_intervals("C", 3000) == pytest.approx(whole)
    assert creep_limit_intervals("C", 3000, late=True) == pytest.approx(late)


@pytest.mark.parametrize("name", ["B", "C", "D"])
def test_load_breaks(name: str) -> None:
    assert list(LOAD_BREAKS[name]) == R60["mpe_load_breaks_v"][name][:2]


def test_a_c3_cell_is_found_to_be_one() -> None:
    # errors just inside 3000 intervals: 1.05 v, half a v of return, 0.735 v of creep
    v = 1.0 / 3000.0
    assert supported_intervals("C", 1.05 * v, 0.5 * v, 0.735 * v) == 3000
    assert supported_intervals("C", 1.05 * v, 0.6 * v) == 2500
    assert supported_intervals("C", 0.1, 0.0) == 0
    with pytest.raises(CalibrationError):
        permissible_error_intervals("X", 100)


def test_sentence_for_a_channel() -> None:
    bench = Bench(5, bend_relative=2e-4)
    made = calibrate_force(bench.points(), bench.conditions, BINDING, weights=bench.by_name)
    assert "class C with" in class_sentence(made.figures)
    assert "creep over 30 min not tested" in class_sentence(made.figures)
    assert class_sentence(made.figures[:2]) == ""
