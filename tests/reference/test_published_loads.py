"""Weights, air and gravity against the tables of OIML, GRS80 and WGS84."""

from __future__ import annotations

import pytest
from reference.published import table
from steelyard.calibration.gravity import GRS80, WGS84, normal_gravity
from steelyard.calibration.weights import (
    R111_CLASSES,
    permissible_error_kg,
    pull_per_kilogram,
)

ELLIPSOIDS = {"GRS80": GRS80, "WGS84": WGS84}


@pytest.mark.parametrize("row", table("oiml_r111_mpe_mg.csv"), ids=lambda row: row["nominal"])
def test_oiml_r111_table_1(row: dict[str, str]) -> None:
    # OIML R 111-1:2004, table 1
    nominal_kg = float(row["nominal_g"]) / 1000.0
    for name in R111_CLASSES:
        assert permissible_error_kg(nominal_kg, name) == pytest.approx(float(row[name]) * 1e-6)


@pytest.mark.parametrize("row", table("normal_gravity.csv"), ids=lambda r: r["latitude_deg"])
def test_normal_gravity_on_the_ellipsoid(row: dict[str, str]) -> None:
    # closed formula of Somigliana (Moritz 2000; NIMA TR8350.2), and the library boule
    found = normal_gravity(float(row["latitude_deg"]), 0.0, ELLIPSOIDS[row["system"]])
    assert found == pytest.approx(float(row["g_somigliana"]), abs=1.0e-9)
    assert found == pytest.approx(float(row["g_boule"]), abs=3e-9)


@pytest.mark.parametrize("row", table("normal_gravity_height.csv"))
def test_normal_gravity_above_it(row: dict[str, str]) -> None:
    # second-order series (Moritz 2000); boule has the exact form (Li & Goetze 2001)
    height = float(row["height_m"])
    found = normal_gravity(float(row["latitude_deg"]), height, ELLIPSOIDS[row["system"]])
    assert found == pytest.approx(float(row["g_second_order"]), abs=2e-9)
    assert found == pytest.approx(float(row["g_boule"]), abs=3e-7)
    assert found == pytest.approx(float(row["g_free_air_linear"]), abs=2e-5)


@pytest.mark.parametrize("row", table("buoyancy_of_weights.csv"), ids=lambda r: r["material"])
@pytest.mark.parametrize("air", ["1.0", "1.2", "1.3"])
def test_pull_in_air(row: dict[str, str], air: str) -> None:
    # OIML D 28:2004, R 111-1: conventional mass and the force it exerts
    found = pull_per_kilogram(1.0, float(air), float(row["rho_kg_m3"]))
    assert found == pytest.approx(float(row[f"F_over_mc_g_rho_air_{air}"]), abs=6e-10)


@pytest.mark.parametrize("latitude", [-90.0, -33.9, 0.0, 45.0, 52.0, 78.2])
@pytest.mark.parametrize("height", [0.0, 30.0, 1500.0, 3000.0])
def test_gravity_against_a_library(latitude: float, height: float) -> None:
    # boule: closed formula of Li and Götze (2001) at any height
    boule = pytest.importorskip("boule")
    expected = boule.WGS84.normal_gravity((0.0, latitude, height), si_units=True)
    found = normal_gravity(latitude, height, WGS84)
    assert found == pytest.approx(float(expected), abs=1e-6)
