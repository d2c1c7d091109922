"""Weights, gravity and lever: what they refuse, and sums done another way."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from steelyard.calibration.gravity import Gravity, normal_gravity
from steelyard.calibration.lever import LeverArm
from steelyard.calibration.weights import (
    R111_CLASSES,
    Air,
    Weight,
    buoyancy_relative_uncertainty,
    permissible_error_kg,
    pull_per_kilogram,
    relative_permissible_error,
)
from steelyard.errors import CalibrationError


def test_class_gives_a_rectangular_uncertainty() -> None:
    # M1, 20 kg: 1000 mg (OIML R 111-1:2004, table 1), over the root of three (GUM 4.3.7)
    weight = Weight("A", 20.0, oiml_class="M1")
    assert weight.half_width_kg == pytest.approx(1e-3)
    assert weight.standard_uncertainty_kg == pytest.approx(577.3502691896258e-6)
    assert weight.mass_kg == 20.0


def test_certificate_gives_mass_and_uncertainty() -> None:
    weight = Weight("A", 20.0, certified_kg=20.0123, expanded_kg=4e-4, coverage_factor=2.0)
    assert weight.mass_kg == 20.0123
    assert weight.standard_uncertainty_kg == 2e-4


def test_a_bound_of_ones_own() -> None:
    assert Weight("plate", 15.0, mpe_kg=0.075).standard_uncertainty_kg == pytest.approx(
        0.075 / math.sqrt(3.0)
    )


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "how well"),
        ({"oiml_class": "M1", "mpe_kg": 0.1}, "how well"),
        ({"certified_kg": 20.0}, "how well"),
        ({"expanded_kg": 0.1}, "how well"),
        ({"oiml_class": "M9"}, "no class"),
        ({"oiml_class": "M1", "nominal_kg": 15.0}, "no limit"),
        ({"oiml_class": "M1", "nominal_kg": -5.0}, "cannot be"),
        ({"oiml_class": "M1", "density_kg_m3": 8.0}, "cannot be"),
        ({"mpe_kg": 25.0}, "cannot be"),
        ({"certified_kg": 44.1, "expanded_kg": 0.001}, "wrong unit"),
        ({"certified_kg": 20.0, "expanded_kg": 0.001, "coverage_factor": 0.0}, "cannot be"),
    ],
)
def test_weight_that_cannot_be(fields: dict[str, Any], said: str) -> None:
    with pytest.raises(CalibrationError, match=said):
        Weight(**{"name": "A", "nominal_kg": 20.0, **fields})


def test_relative_bound_covers_the_whole_class() -> None:
    for name in R111_CLASSES:
        bound = relative_permissible_error(name)
        for nominal in (0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0):
            assert permissible_error_kg(nominal, name) <= bound * nominal * (1 + 1e-12)
    assert relative_permissible_error("M1") == pytest.approx(5e-5)


def test_buoyancy_uncertainty_is_the_slope_of_the_pull() -> None:
    air, rho, u_rho = Air(1.1, 0.05), 7100.0, 300.0
    step = 1e-4
    by_air = (
        pull_per_kilogram(1.0, air.density + step, rho)
        - pull_per_kilogram(1.0, air.density - step, rho)
    ) / (2 * step)
    by_rho = (
        pull_per_kilogram(1.0, air.density, rho + 1.0)
        - pull_per_kilogram(1.0, air.density, rho - 1.0)
    ) / 2.0
    expected = math.hypot(by_air * 0.05, by_rho * u_rho)
    assert buoyancy_relative_uncertainty(rho, u_rho, air) == pytest.approx(expected, rel=1e-3)


def test_gravity_of_a_place() -> None:
    here = Gravity.at(52.0, 30.0)
    assert here.value == pytest.approx(9.81238, abs=1e-5)
    assert here.relative_uncertainty == pytest.approx(5.9e-5, rel=0.01)
    assert "latitude 52°" in here.source
    assert normal_gravity(-33.0) == normal_gravity(33.0)
    assert Gravity.standard().standard_uncertainty > 10.0 * here.standard_uncertainty
    assert Gravity.entered(9.8127, 1e-5).source == "entered"


def test_standard_gravity_is_wide_enough_for_any_place_at_sea_level() -> None:
    half = Gravity.standard().standard_uncertainty * math.sqrt(3.0)
    for latitude in range(0, 91, 5):
        assert abs(normal_gravity(latitude) - 9.80665) < half


@pytest.mark.parametrize(("latitude", "height"), [(91.0, 0.0), (-95.0, 0.0), (50.0, 30000.0)])
def test_no_such_place(latitude: float, height: float) -> None:
    with pytest.raises(CalibrationError, match="no place"):
        normal_gravity(latitude, height)


@pytest.mark.parametrize(("value", "u"), [(981.0, 1e-4), (32.174, 1e-4), (9.81, -1.0), (9.81, 1.0)])
def test_no_such_gravity(value: float, u: float) -> None:
    with pytest.raises(CalibrationError, match="not found"):
        Gravity(value, u, "typed")


def test_no_such_air() -> None:
    with pytest.raises(CalibrationError, match="Air"):
        Air(1200.0)


def test_lever_torque_and_its_uncertainty_against_simulation() -> None:
    arm = LeverArm(0.4, 0.001, 10.0, 0.5)
    random = np.random.default_rng(4)
    lengths = random.normal(0.4, 0.001, 200_000)
    angles = np.radians(random.normal(10.0, 0.5, 200_000))
    torques = 196.0 * lengths * np.cos(angles)
    assert arm.torque_newton_metres(196.0) == pytest.approx(torques.mean(), rel=1e-4)
    u = math.hypot(*(line.contribution for line in arm.budget_lines(196.0)))
    assert u == pytest.approx(torques.std(), rel=0.02)
    assert arm.relative_uncertainty * arm.torque_newton_metres(196.0) == pytest.approx(u, rel=1e-6)


def test_level_arm_still_pays_for_its_angle() -> None:
    arm = LeverArm(0.4, 1e-9, 0.0, 2.0)
    random = np.random.default_rng(4)
    cosines = np.cos(np.radians(random.normal(0.0, 2.0, 200_000)))
    assert arm.relative_uncertainty == pytest.approx(cosines.std(), rel=0.05)


@pytest.mark.parametrize(("length", "angle"), [(0.0, 0.0), (40.0, 0.0), (0.4, 80.0)])
def test_no_such_lever(length: float, angle: float) -> None:
    with pytest.raises(CalibrationError, match="not usable"):
        LeverArm(length, 0.001, angle)
