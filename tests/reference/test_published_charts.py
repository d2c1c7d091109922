"""Control charts and eccentricity against published examples."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import scipy.signal
from reference.published import document, table
from steelyard.calibration.angle_fit import calibrate_angle
from steelyard.calibration.angle_points import AnglePoint, mean_counts
from steelyard.calibration.control_chart import cusum, ewma_chart, individuals_chart
from steelyard.calibration.readings import Binding

BINDING = Binding("e66164084319a52c", 2, "AM-0007", 1)


def test_nist_individuals_chart() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.2
    example = document("nist_individuals_chart.json")
    chart = individuals_chart(example["x"])
    assert f"{chart.centre:.2f}" == f"{example['printed']['mean']:.2f}"
    assert f"{chart.upper[0]:.4f}" == f"{example['printed']['UCL']:.4f}"
    assert f"{chart.lower[0]:.4f}" == f"{example['printed']['LCL']:.4f}"
    assert chart.in_control


def test_nist_ewma_chart() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4
    rows = table("nist_ewma_chart.csv")
    chart = ewma_chart([float(row["x"]) for row in rows], 50.0, 2.0539, asymptotic=True)
    for value, row in zip(chart.values, rows, strict=True):
        assert value == pytest.approx(float(row["ewma_exact"]), abs=1e-8)
        assert value == pytest.approx(float(row["ewma_printed"]), abs=5.1e-3)
    assert f"{chart.upper[0]:.4f}" == "52.5884"
    assert chart.lower[0] == pytest.approx(47.4115, abs=1.0e-4)
    assert chart.in_control


def test_nist_cusum_chart() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3
    rows = table("nist_cusum_chart.csv")
    chart = cusum([float(row["mean"]) for row in rows], 325.0, 0.3175, 4.1959)
    for high, low, row in zip(chart.high, chart.low, rows, strict=True):
        assert high == pytest.approx(float(row["Shi_exact"]), abs=1e-9)
        assert low == pytest.approx(float(row["Slo_exact"]), abs=1e-9)
        assert high == pytest.approx(float(row["Shi_printed"]), abs=5.1e-3)
    assert chart.high_signals == tuple(range(13, 20))
    assert chart.low_signals == ()


@pytest.mark.parametrize("row", table("eccentricity_amplitudes.csv"))
def test_eccentricity_amplitude_is_recovered(row: dict[str, str]) -> None:
    # amplitude e/R, as printed in an encoder ring table
    ratio = float(row["eccentricity_mm"]) / float(row["reading_radius_mm"])
    theta = np.arange(0.0, 360.0, 15.0)[:23]
    error = np.degrees(ratio * np.sin(np.radians(theta - 40.0)))
    counts = ((theta + error + 77.0) * 4096.0 / 360.0) % 4096.0
    points = [AnglePoint(float(a), float(c)) for a, c in zip(theta, counts, strict=True)]
    found = calibrate_angle(points, BINDING, counts_per_turn=4096).eccentricity_degrees
    # the fit is on the sensor's own angle: equal to the shaft's to second order
    assert found * 3600.0 == pytest.approx(float(row["amplitude_arcsec_printed"]), rel=2e-3)
    assert found == pytest.approx(float(row["amplitude_deg_printed"]), abs=5.1e-3)


def test_exact_eccentricity_is_first_harmonic_but_for_its_square() -> None:
    # plane geometry, e/R = 0.02
    example = document("eccentricity_curve.json")
    theta = np.array(example["theta_deg"], dtype=float)
    exact = np.array(example["delta_exact_deg"])
    counts = (theta + exact) * 4096.0 / 360.0
    points = [AnglePoint(float(a), float(c)) for a, c in zip(theta, counts, strict=True)]
    made = calibrate_angle(points, BINDING, counts_per_turn=4096)
    assert made.eccentricity_degrees == pytest.approx(math.degrees(0.02), rel=2e-3)
    left = made.angle(counts).angle_degrees - theta
    # at the end of the range the angle may come out a whole turn away: it is the same place
    left = (left + 180.0) % 360.0 - 180.0
    assert np.abs(left).max() < math.degrees(0.02**2)


@pytest.mark.parametrize("case", document("circular_statistics.json")["cases"])
def test_mean_direction(case: dict[str, Any]) -> None:
    # directional statistics: atan2(sum sin, sum cos), recomputed with scipy.stats.circmean
    counts = [round(10.0 * degrees) for degrees in case["degrees"]]
    found = mean_counts(counts, 3600) / 10.0
    assert (found - case["circmean_deg"] + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


def test_ewma_against_scipy() -> None:
    # z = w x + (1 - w) z before is a first-order recursive filter that starts at the target
    values = np.random.default_rng(4).normal(50.0, 2.0, 60)
    chart = ewma_chart(values.tolist(), 50.0, 2.0, weight=0.2)
    expected, _ = scipy.signal.lfilter([0.2], [1.0, -0.8], values, zi=[0.8 * 50.0])
    np.testing.assert_allclose(chart.values, expected, rtol=1e-13)
