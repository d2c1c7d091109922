"""Does the stated interval hold the truth as often as it says?

The same draws as ``coverage`` describes.  The number of calibrations is that of
the environment variable ``STEELYARD_CALIBRATIONS``; the table of a long run
(1,000) goes into the test report.

Asked for is 93 to 97 times in 100, at every load and without load, for force as
for torque, and for all loads together.

Of 1,000 no allowance is made: that is the proof.  Of few, a share found is
itself uncertain.  It is refused where it lies three of its standard errors
outside that range.  The standard error is measured, from the spread of the
shares between the calibrations; of 40 with 25 readings each it is 0.7 to 1.3 %.
So the short form notices, in one place alone, an interval that holds 90 or 99 %
every other time; of all intervals it noticed (tried) when they were made 13 %
narrower or 20 % wider.  What truly holds 94 to 96 %, as the long run shows, is a
standard error further in: four in all, one chance in 30,000 for each of 56
shares looked at (normal law, one side), so one false alarm in about 600 changes
of the code.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from host.calibration.coverage import (
    CASES,
    QUANTITIES,
    SHARES,
    Array,
    coverage,
    standard_error,
    table_lines,
)
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import calibrate_force

ASKED = os.environ.get("STEELYARD_CALIBRATIONS")
CALIBRATIONS = int(ASKED or 40)
ERRORS_ALLOWED = 0.0 if CALIBRATIONS >= 1000 else 3.0


@cache
def three_runs() -> dict[str, Array]:
    return coverage(CALIBRATIONS)


def allowance(shares: Array) -> Array:
    return np.asarray(ERRORS_ALLOWED * standard_error(shares))


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_load_in_every_case(
    quantity: str, record_property: Callable[[str, object], None]
) -> None:
    shares = three_runs()[quantity]
    lines = table_lines(shares)
    record_property("coverage", "\n".join(lines))
    print("\n".join(["", quantity, *lines]))
    together = shares.mean(axis=2, keepdims=True)
    for row, (name, _, _) in enumerate(CASES):
        for places, values in (
            *zip(SHARES, shares[:, row].T, strict=True),
            ("all", together[:, row, 0]),
        ):
            found, more = float(values.mean()), float(allowance(values))
            assert 0.93 - more <= found <= 0.97 + more, f"{name}, {places}: {found} ± {more}"


@pytest.mark.parametrize("slope", [5e-5, 5e-4], ids=["good repeatability", "poor"])
def test_two_runs_do_not_promise_too_much(slope: float) -> None:
    # an assumed bound is added for the second and third run that were not made: never less
    # than the stated share, whatever more
    made = coverage(min(CALIBRATIONS // 2, 200), runs=2, slope=slope)
    for quantity, shares in made.items():
        print("\n".join(["", f"{quantity}, two runs", *table_lines(shares)]))
        more = 3.0 * standard_error(shares)
        assert (shares.mean(axis=0) >= 0.93 - more).all(), quantity


def test_sensitivity_and_zero() -> None:
    count = int(ASKED or 100)
    inside = np.zeros(2)
    ratios = []
    for seed in range(count):
        bench = Bench(seed)
        made = calibrate_force(bench.points(), bench.conditions, BINDING, weights=bench.by_name)
        full = bench.full_newtons
        true = (bench.true_counts(full) - bench.true_counts(0.0)) / full
        error = made.model.sensitivity_counts_per_newton - true
        budget, zero = made.sensitivity_budget(), made.zero_budget()
        off = made.model.zero_counts - bench.zero_counts
        inside += [abs(error) <= budget.expanded_uncertainty, abs(off) <= zero.expanded_uncertainty]
        ratios.append(error / budget.standard_uncertainty)
    assert (inside / count >= 0.93 - 2.0 * math.sqrt(0.95 * 0.05 / count)).all()
    print(f"inside U: sensitivity {inside[0]:g}, zero {inside[1]:g} of {count}")
    # an interval that always holds the truth because it is wide proves nothing
    assert 0.7 < float(np.sqrt(np.mean(np.square(ratios)))) < 1.3
