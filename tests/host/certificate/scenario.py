"""A year in the life of a torque channel of an invented practice: calibrated, checked, again."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import (
    Direction,
    LeverArm,
    LoadPoint,
    TorqueCalibration,
    Weight,
    calibrate_torque,
)
from steelyard.calibration.comparison import compare
from steelyard.calibration.creep_test import creep_test
from steelyard.calibration.daily_check import daily_check
from steelyard.calibration.history import Act
from steelyard.calibration.register import Register

FIRST = datetime(2026, 1, 12, 9, 30, tzinfo=UTC)
ARM = LeverArm(0.4, 0.0005, 0.0, 0.5)
OPERATOR = "technician T-2"


def at(days: float) -> str:
    return (FIRST + timedelta(days=days)).isoformat(timespec="seconds").replace("+00:00", "Z")


def weights() -> list[Weight]:
    kept = [Weight(f"P{n}", 20.0, oiml_class="M1", certificate="set S-118") for n in (1, 2, 3)]
    scale = "weighed on scale W-3"
    plates = [
        Weight(f"plate {n}", 20.0, certified_kg=20.0 + 0.013 * n, expanded_kg=0.004,
               density_kg_m3=7200.0, density_uncertainty_kg_m3=100.0, traceable=False,
               certificate=scale)
        for n in (1, 2)
    ]  # fmt: skip
    return kept + plates


def bench(seed: int = 5) -> Bench:
    made = Bench(seed, weights=weights(), bend_relative=4e-4, arm=ARM, taken_at=at(0.0))
    made.true_masses |= {w.name: w.mass_kg + 0.001 for w in made.weights if not w.traceable}
    made.conditions = dataclasses.replace(
        made.conditions,
        temperature_celsius=21.5,
        operator=OPERATOR,
        note="counterweight removed, arm level by inclinometer",
    )
    return made


def calibration(made: Bench, days: float = 0.0) -> TorqueCalibration:
    conditions = dataclasses.replace(made.conditions, taken_at=at(days))
    held = [(5.0 + 10.0 * n, 8e5 + 80.0 * (1.0 - float(np.exp(-n / 15.0)))) for n in range(61)]
    return calibrate_torque(
        made.points(), ARM, conditions, BINDING, weights=made.by_name,
        creep=creep_test(made.zero_counts, held),
    )  # fmt: skip


def check_points(made: Bench, drift: float) -> list[LoadPoint]:
    """Zero, one weight, zero, on a day on which the sensitivity is off by ``drift``."""
    slope, zero = made.later(0.0)
    newtons = made.true_newtons(("P1",))
    made_of = [(Direction.UP, 0.0), (Direction.UP, 20.0), (Direction.DOWN, 0.0)]
    return [
        LoadPoint(
            1,
            way,
            mass,
            made.counts(newtons if mass else 0.0, True, (slope + drift, zero))
            + made.random.normal(0.0, 3.0),
            3.0,
            240,
            ("P1",) if mass else (),
        )
        for way, mass in made_of
    ]


def year(folder: Path, drift_per_check: float = 0.0) -> tuple[Register, TorqueCalibration]:
    """First calibration, as found after half a year, second calibration, twenty checks."""
    made = bench()
    register = Register(folder, BINDING.box_id, BINDING.channel)
    first = calibration(made)
    register.put_in_force(first, at(0.0), OPERATOR)
    later = made.points()
    conditions = dataclasses.replace(made.conditions, taken_at=at(180.0))
    found = compare(first, later, conditions, made.by_name)
    register.add(Act.AS_FOUND, at(180.0), OPERATOR, first.calibration_id, found.as_plain())
    second = calibration(made, 180.0)
    register.put_in_force(second, at(180.0), OPERATOR)
    for day in range(20):
        today = dataclasses.replace(made.conditions, taken_at=at(181.0 + 2.0 * day))
        points = check_points(made, drift_per_check * max(0, day - 9))
        check = daily_check(second, points, today, made.by_name)
        content = check.as_plain()
        register.add(Act.CHECKED, today.taken_at, OPERATOR, second.calibration_id, content)
    return register, second
