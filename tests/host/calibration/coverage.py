"""How often the stated interval holds the truth: many simulated calibrations, every load.

Drawn anew for every calibration: masses within their class, gravity within its
anomaly, air, arm length and angle within their tolerances, slope and zero of
each run, hysteresis, drift over the run, creep, noise.  For the reading on a
later day: slope and zero of the day, temperature, drift with age, side load,
the loads before and how long each of them and this one had hung, which branch
of the loop, zeroing, noise.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import calibrate_force, calibrate_torque
from steelyard.calibration.quantity import LoadCalibration, quantity_of

SHARES = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
CASES = (
    ("mean of many samples, zeroed", True, 0.0),
    ("one sample, as it stands", False, 0.0),
    ("one sample, zeroed", True, 0.0),
    ("one sample, zeroed, 300 days on", True, 300.0),
)

FIRST_SEED = 500_000
"""Seeds from here on are for counting alone.  The model of uncertainty was looked at and mended
on seeds below 10,000 and never on these."""

Table = dict[tuple[str, float], int]


def coverage_table(calibrations: int, *, torque: bool, runs: int = 3, slope: float = 5e-5) -> Table:
    """Of so many calibrations, how many held the truth, by case and share of the range."""
    held: Counter[tuple[str, float]] = Counter()
    for seed in range(FIRST_SEED, FIRST_SEED + calibrations):
        bench = Bench(seed, runs=runs, run_slope_relative=slope)
        points, named = bench.points(), bench.by_name
        made: LoadCalibration = (
            calibrate_torque(points, bench.arm, bench.conditions, BINDING, weights=named)
            if torque
            else calibrate_force(points, bench.conditions, BINDING, weights=named)
        )
        # readings must not depend on how many numbers the calibration drew
        bench.random = np.random.default_rng([seed, 1])
        for case in CASES:
            for share in SHARES:
                held[case[0], share] += _inside(bench, made, case, share)
    return {(case[0], share): held[case[0], share] for case in CASES for share in SHARES}


def _inside(
    bench: Bench, made: LoadCalibration, case: tuple[str, bool, float], share: float
) -> bool:
    name, zeroed, age = case
    quantity = quantity_of(made)
    newtons = share * bench.full_newtons
    truth = newtons * (bench.true_arm_metres if quantity.arm else 1.0)
    averaged = name.startswith("mean")
    counts, zero = bench.fresh(newtons, age, averaged, made if zeroed else None)
    error = 3.0 if averaged else None
    found = float(quantity.values([counts], zero)[0])
    budget = made.budget(found, zero=zero, counts_standard_error=error, age_days=age)
    return abs(found - truth) <= budget.expanded_uncertainty


def table_lines(table: Table, calibrations: int) -> list[str]:
    """The table in percent, as text."""
    head = f"{'% of ' + str(calibrations) + ' calibrations, at load':38}"
    lines = [head + "".join(f"{100 * share:6.0f} %" for share in SHARES)]
    for name, _, _ in CASES:
        cells = (100.0 * table[name, share] / calibrations for share in SHARES)
        lines.append(f"{name:38}" + "".join(f"{cell:8.1f}" for cell in cells))
    return lines
