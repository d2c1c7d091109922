"""Calibrating a force channel: the result, its truth, its remarks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench, weight_set
from steelyard.calibration import (
    Conditions,
    Direction,
    ForceCalibration,
    Gravity,
    LoadPoint,
    Weight,
    calibrate_force,
)
from steelyard.calibration.readings import mean_and_standard_error
from steelyard.errors import ReadingsFileError


def calibrated(bench: Bench, degree: int | None = None) -> ForceCalibration:
    return calibrate_force(
        bench.points(), bench.conditions, BINDING, weights=bench.by_name, degree=degree
    )


def perfect_points(counts_per_kilogram: float = 8000.0, zero: float = 500.0) -> list[LoadPoint]:
    series = [(Direction.UP, mass) for mass in (0, 20, 40, 60, 80, 100)]
    series += [(Direction.DOWN, mass) for mass in (80, 60, 40, 20, 0)]
    return [
        LoadPoint(run, way, float(mass), zero + counts_per_kilogram * mass, 3.0, 240)
        for run in (1, 2, 3)
        for way, mass in series
    ]


def test_perfect_readings_give_the_constants_back() -> None:
    conditions = Conditions(gravity=Gravity.entered(9.81, 1e-5))
    result = calibrate_force(perfect_points(), conditions, BINDING)
    pull = 9.81 * (1.0 - 1.2 / 8000.0)
    assert result.model.sensitivity_counts_per_newton == pytest.approx(8000.0 / pull, rel=1e-13)
    assert result.model.zero_counts == pytest.approx(500.0, abs=1e-7)
    assert result.model.curve.degree == 1
    assert result.figures[0].percent == pytest.approx(0.0, abs=1e-9)
    # nothing scatters, so the marked masses and gravity are all that is left
    relative = np.hypot(5e-4 / np.sqrt(3.0), 1e-5 / 9.81)
    relative = np.hypot(relative, 0.06 / 8000.0)
    budget = result.sensitivity_budget()
    # ... beside the standard error each reading came with
    assert budget.standard_uncertainty == pytest.approx(
        relative * result.model.sensitivity_counts_per_newton, rel=1e-4
    )


def test_sensitivity_that_falls_with_force() -> None:
    result = calibrate_force(perfect_points(-8000.0), Conditions(), BINDING)
    assert result.model.sensitivity_counts_per_newton < 0.0
    read = result.force([500.0 - 8000.0 * 50.0])
    assert read.force_newtons[0] == pytest.approx(50.0 * 9.80665 * (1 - 1.2 / 8000.0))
    assert read.standard_uncertainty_newtons[0] > 0.0


@pytest.mark.parametrize(("bend", "degree"), [(0.0, 1), (1e-3, 2)])
def test_degree_follows_the_shape(bend: float, degree: int) -> None:
    chosen = [calibrated(Bench(seed, bend_relative=bend)).model.curve.degree for seed in range(30)]
    assert chosen.count(degree) >= 28


def test_degree_can_be_overridden() -> None:
    assert calibrated(Bench(3), degree=3).model.curve.degree == 3
    assert calibrated(Bench(3, bend_relative=1e-3), degree=1).model.curve.degree == 1


def test_a_weight_that_is_off_is_not_averaged_away() -> None:
    # ten runs instead of two: scatter shrinks, what the weights are wrong does not
    coarse = weight_set(oiml_class="M3")
    few = calibrated(Bench(1, weights=coarse, runs=2)).sensitivity_budget()
    many = calibrated(Bench(1, weights=coarse, runs=10)).sensitivity_budget()
    masses = {budget: next(iter(budget.lines)).contribution for budget in (few, many)}
    assert few.lines[0].name == "test weights"
    assert masses[many] == pytest.approx(masses[few], rel=0.02)
    assert many.lines[1].contribution < few.lines[1].contribution


def test_named_weights_know_more_than_marked_masses() -> None:
    bench = Bench(1, weights=weight_set(oiml_class="M3"))
    points = bench.points()
    named = calibrate_force(points, bench.conditions, BINDING, weights=bench.by_name)
    bare = [dataclasses.replace(point, weights=()) for point in points]
    unnamed = calibrate_force(bare, bench.conditions, BINDING)
    assert named.sensitivity_budget().lines[0].contribution < (
        unnamed.sensitivity_budget().lines[0].contribution
    )
    assert any("not named" in remark for remark in unnamed.remarks)
    assert not any("not named" in remark for remark in named.remarks)


def test_a_certificate_moves_the_mass() -> None:
    points = perfect_points()
    marked = calibrate_force(points, Conditions(), BINDING)
    heavy = {name: Weight(name, 20.0, certified_kg=20.02, expanded_kg=0.001) for name in "ABCDE"}
    named = [
        dataclasses.replace(point, weights=tuple("ABCDE"[: round(point.mass_kg / 20.0)]))
        for point in points
    ]
    certified = calibrate_force(named, Conditions(), BINDING, weights=heavy)
    ratio = (
        certified.model.sensitivity_counts_per_newton / marked.model.sensitivity_counts_per_newton
    )
    assert ratio == pytest.approx(20.0 / 20.02, rel=1e-9)


def test_remarks_say_what_is_weak() -> None:
    bench = Bench(2, runs=1, weights=weight_set(3))
    rising = [point for point in bench.points() if point.direction is Direction.UP]
    points = [dataclasses.replace(point, run=1) for point in rising]
    house = {
        name: dataclasses.replace(weight, traceable=False) for name, weight in bench.by_name.items()
    }
    text = " ".join(calibrate_force(points, Conditions(), BINDING, weights=house).remarks)
    for said in ("one run only", "3 loads only", "both ways", "in house", "place was not stated"):
        assert said in text
    two = calibrated(Bench(2, runs=2))
    assert any("two runs only" in remark for remark in two.remarks)
    sound = dataclasses.replace(
        Bench(2).conditions, taken_at="2026-01-12T09:00:00Z", creep_bound_relative=3e-4
    )
    bench = Bench(2)
    assert calibrate_force(bench.points(), sound, BINDING, weights=bench.by_name).remarks == ()


@pytest.mark.parametrize("runs", [1, 2])
def test_few_runs_add_the_assumed_repeatability(runs: int) -> None:
    bench = Bench(4, runs=runs)
    line = next(
        line for line in calibrated(bench).sensitivity_budget().lines if "assumed" in line.name
    )
    assert line.contribution == pytest.approx(
        1e-3 / np.sqrt(3.0) * bench.sensitivity_counts_per_newton, rel=1e-3
    )


def test_three_runs_speak_for_themselves() -> None:
    names = [line.name for line in calibrated(Bench(4)).sensitivity_budget().lines]
    assert "repeatability between runs" in names
    assert not any("assumed" in name for name in names)


def test_runs_that_differ_much_are_remarked_upon() -> None:
    poor = calibrated(Bench(4, run_slope_relative=1e-3))
    assert any("take five or more" in remark for remark in poor.remarks)
    assert not any("take five" in remark for remark in calibrated(Bench(4)).remarks)


def test_figures_are_what_the_bench_was_given() -> None:
    bench = Bench(
        5,
        loop_relative=1e-3,
        bend_relative=2e-3,
        run_slope_relative=0.0,
        drift_counts_per_reading=0.0,
        creep_relative=0.0,
        sample_noise_counts=5.0,
    )
    figures = {figure.name: figure.percent for figure in calibrated(bench).figures}
    # loads at 0.2 ... 0.8 of the range: 4 x (1 - x) is 0.96 there at most
    assert figures["reversibility (hysteresis)"] == pytest.approx(0.2 * 0.96, rel=0.02)
    assert figures["linearity"] == pytest.approx(0.2, rel=0.02)
    assert figures["zero return"] == pytest.approx(0.0, abs=2e-3)
    assert figures["repeatability"] == pytest.approx(0.0, abs=2e-3)
    assert figures["interpolation error"] == pytest.approx(0.0, abs=5e-3)


def test_creep_shows_as_zero_return_and_enters_the_budget() -> None:
    still, creeping = (calibrated(Bench(6, creep_relative=creep)) for creep in (0.0, 5e-4))
    returned = [
        next(f.percent for f in result.figures if f.name == "zero return")
        for result in (still, creeping)
    ]
    assert returned[0] is not None
    assert returned[1] is not None
    assert returned[1] > 3.0 * returned[0]
    assert creeping.model.creep_relative > 3.0 * still.model.creep_relative
    stated = dataclasses.replace(Bench(6).conditions, creep_bound_relative=2e-4)
    bench = Bench(6)
    result = calibrate_force(bench.points(), stated, BINDING, weights=bench.by_name)
    assert result.model.creep_relative == 2e-4


def test_mean_and_standard_error_allow_for_slow_noise() -> None:
    random = np.random.default_rng(3)
    white = random.normal(0.0, 10.0, 2400)
    _, plain = mean_and_standard_error(white.tolist())
    assert plain == pytest.approx(10.0 / np.sqrt(2400.0), rel=0.6)
    slow = np.repeat(random.normal(0.0, 10.0, 24), 100)
    _, honest = mean_and_standard_error(slow.tolist())
    assert honest > 5.0 * plain
    with pytest.raises(ReadingsFileError):
        mean_and_standard_error([1.0])


def test_summary_names_the_constants_with_their_uncertainty() -> None:
    lines = calibrated(Bench(7)).summary_lines()
    text = "\n".join(lines)
    assert "LC-0042" in lines[0]
    assert "sensitivity: 812" in text
    assert "counts/N (k = " in text
    assert "one sample at full scale: 981" in text
    assert "as OIML R 60-1:2021" in text


def test_refitting_the_kept_readings_gives_the_same() -> None:
    result = calibrated(Bench(8, bend_relative=5e-4))
    again = result.refit()
    assert again.model.curve.coefficients == pytest.approx(result.model.curve.coefficients)
    assert again.points == result.points
