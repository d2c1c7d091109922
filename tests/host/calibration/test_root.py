"""Newton between bounds: smooth functions fast, awkward ones surely."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration.root import rising_root


@given(st.floats(-50.0, 50.0), st.floats(0.01, 5.0))
def test_a_smooth_function_in_few_steps(root: float, steepness: float) -> None:
    asked = []

    def value_and_slope(x: float) -> tuple[float, float]:
        asked.append(x)
        y = steepness * (x - root)
        return math.atan(y), steepness / (1.0 + y * y)

    # the last step is below 1e-11 of the width of 130
    assert rising_root(value_and_slope, -60.0, 70.0) == pytest.approx(root, rel=0.0, abs=2.6e-9)
    assert len(asked) < 60


def test_without_a_slope_the_bounds_close_in() -> None:
    found = rising_root(lambda x: (1.0 if x >= 0.3 else -1.0, 0.0), 0.0, 1.0)
    assert found == pytest.approx(0.3, abs=1e-9)


def test_a_slope_that_lies_does_no_harm() -> None:
    # a step that would leave the bounds is not taken
    assert rising_root(lambda x: (x**3 - 2.0, 1e-6), 0.0, 5.0) == pytest.approx(2.0 ** (1 / 3))
