"""Counts to newtons: exact, honest outside the range, the same sum as the budget."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration import ForceCalibration, calibrate_force
from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.response_curve import ResponseCurve
from steelyard.calibration.zeroing import ZEROING_LIMIT
from steelyard.errors import CalibrationError, PoorFitError


@cache
def calibration(degree: int = 1) -> ForceCalibration:
    bench = Bench(11, bend_relative=1e-3 if degree > 1 else 0.0)
    return calibrate_force(
        bench.points(), bench.conditions, BINDING, weights=bench.by_name, degree=degree
    )


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_inverse_is_exact(degree: int) -> None:
    curve = calibration(degree).model.curve
    force = np.linspace(-400.0, 1500.0, 2001)
    np.testing.assert_allclose(curve.force(curve.counts(force)), force, rtol=2e-14, atol=1e-10)


curves = st.builds(
    lambda zero, rise, bend, twist: ResponseCurve((zero, rise, bend, twist), 0.0, 1000.0),
    st.floats(-1e5, 1e5),
    st.floats(1e4, 1e6),
    st.floats(-1e3, 1e3),
    st.floats(-300.0, 300.0),
)


@given(curves, st.floats(-500.0, 2000.0))
def test_any_monotonic_curve_is_inverted(curve: ResponseCurve, force: float) -> None:
    curve.require_monotonic()
    at = np.array([force])
    assert curve.force(curve.counts(at))[0] == pytest.approx(force, rel=1e-11, abs=1e-7)


@given(curves)
def test_tangents_carry_on_beyond_the_ends(curve: ResponseCurve) -> None:
    ends = np.array([-200.0, 0.0, 1000.0, 1300.0])
    counts, slope = curve.counts(ends), curve.slope(ends)
    assert slope[0] == slope[1]
    assert slope[2] == slope[3]
    assert counts[1] - counts[0] == pytest.approx(200.0 * slope[1], rel=1e-9)
    assert counts[3] - counts[2] == pytest.approx(300.0 * slope[2], rel=1e-9)


def test_basis_is_the_derivative_of_the_curve() -> None:
    curve = calibration(3).model.curve
    force = np.array([-100.0, 0.0, 333.0, 981.0, 1200.0])
    np.testing.assert_allclose(
        curve.basis(force) @ np.array(curve.coefficients), curve.counts(force), rtol=1e-12
    )


@pytest.mark.parametrize(
    ("coefficients", "where"),
    [
        ((0.0, 100.0, -80.0), "near 1000 N"),
        ((0.0, -100.0, -80.0), "near 0 N"),
        ((0.0, 60.0, 0.0, 50.0), "near 500 N"),
        ((0.0, -60.0, 0.0, -50.0), "near 500 N"),
        ((5.0, 0.0), "flat"),
    ],
)
def test_a_curve_that_turns_is_refused(coefficients: tuple[float, ...], where: str) -> None:
    with pytest.raises(PoorFitError, match=where):
        ResponseCurve(coefficients, 0.0, 1000.0).require_monotonic()


tenths = st.integers(-1000, 1000).map(lambda value: value / 10.0)


@given(st.tuples(tenths, tenths, tenths, tenths), st.integers(2, 4))
def test_monotonic_means_what_a_fine_grid_shows(
    coefficients: tuple[float, float, float, float], count: int
) -> None:
    curve = ResponseCurve(coefficients[:count], 0.0, 1000.0)
    slopes = curve.slope(np.linspace(0.0, 1000.0, 2001))
    try:
        curve.require_monotonic()
    except PoorFitError:
        # the grid may miss a turn by a hair
        assert slopes.min() * slopes.max() <= 1e-4 * np.abs(slopes).max() ** 2
    else:
        assert slopes.min() * slopes.max() > 0.0


@pytest.mark.parametrize("degree", [1, 2, 3])
@pytest.mark.parametrize("zeroed", [False, True])
def test_fast_sum_and_budget_agree(degree: int, zeroed: bool) -> None:
    made = calibration(degree)
    zero = made.take_zero(made.model.zero_counts + 900.0, 4.0, "now") if zeroed else None
    counts = made.model.curve.counts(np.linspace(-150.0, 1200.0, 28))
    read = made.force(counts, zero=zero)
    for force, u in zip(read.force_newtons, read.standard_uncertainty_newtons, strict=True):
        assert made.budget(float(force), zero=zero).standard_uncertainty == pytest.approx(u)
    averaged = made.force(counts, zero=zero, counts_standard_error=2.0)
    budget = made.budget(float(averaged.force_newtons[9]), zero=zero, counts_standard_error=2.0)
    assert budget.standard_uncertainty == pytest.approx(averaged.standard_uncertainty_newtons[9])
    assert (averaged.standard_uncertainty_newtons < read.standard_uncertainty_newtons).all()


def test_outside_the_weights_is_flagged_and_less_sure() -> None:
    made = calibration(2)
    read = made.force(made.model.curve.counts(np.array([-50.0, -1.0, 0.0, 981.0, 1000.0, 1400.0])))
    assert read.extrapolated.tolist() == [True, False, False, False, True, True]
    u = read.standard_uncertainty_newtons
    assert u[5] > u[4] > u[3]


def test_no_reading_stays_no_reading() -> None:
    for degree in (1, 3):
        read = calibration(degree).force(np.array([NO_COUNTS, 400_000], dtype=np.int32))
        assert np.isnan(read.force_newtons[0])
        assert np.isnan(read.standard_uncertainty_newtons[0])
        assert not np.isnan(read.force_newtons[1])
        assert read.force_newtons.dtype == np.float64
        assert read.extrapolated.tolist() == [False, False]


def test_empty_in_empty_out() -> None:
    read = calibration(2).force(np.zeros(0))
    assert read.force_newtons.shape == (0,)
    assert read.extrapolated.shape == (0,)


def test_zeroing_shifts_and_is_bounded_and_logged() -> None:
    made = calibration()
    shifted = made.model.zero_counts + 1000.0
    zero = made.take_zero(shifted, 3.5, "2026-01-01T08:00:00Z")
    assert made.force([shifted], zero=zero).force_newtons[0] == pytest.approx(0.0, abs=1e-9)
    assert made.force([shifted]).force_newtons[0] == pytest.approx(1.23, abs=0.01)
    assert zero.log_line() == (
        "zeroed at 2026-01-01T08:00:00Z: shift +1000.0 counts, standard error 3.5 counts"
    )
    span = made.model.sensitivity_counts_per_newton * made.model.curve.span_newtons
    just = ZEROING_LIMIT * span
    made.take_zero(made.model.zero_counts - 0.999 * just, 3.5, "now")
    for far in (1.001 * just, -1.001 * just, float("nan")):
        with pytest.raises(CalibrationError, match="Take all load off"):
            made.take_zero(made.model.zero_counts + far, 3.5, "now")


def test_zeroing_leaves_the_calibration_alone() -> None:
    made = calibration()
    before = made.to_json()
    made.force([4e5], zero=made.take_zero(made.model.zero_counts + 50.0, 1.0, "now"))
    assert made.to_json() == before


def test_a_whole_session_keeps_its_order() -> None:
    # ten minutes of two channels at 90 samples a second, on the slowest path (a cubic)
    made = calibration(3)
    counts = np.linspace(4e4, 8e5, 2 * 600 * 90)
    read = made.force(counts)
    assert read.force_newtons.shape == counts.shape
    assert np.all(np.diff(read.force_newtons) > 0.0)
    one_by_one = [float(made.force([counts[i]]).force_newtons[0]) for i in (0, 777, -1)]
    assert read.force_newtons[[0, 777, -1]].tolist() == pytest.approx(one_by_one, rel=1e-14)
