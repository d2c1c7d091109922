"""Bad sets of readings: each is refused for its own reason, and the point is named."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence

import pytest
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import (
    Binding,
    Conditions,
    Direction,
    ForceCalibration,
    LoadPoint,
    calibrate_force,
)
from steelyard.errors import (
    CalibrationError,
    PoorFitError,
    ReadingsFileError,
    SaturatedReadingError,
    SpanTooSmallError,
    UnstableReadingError,
    WrongBoxError,
)


def without_names(points: Sequence[LoadPoint]) -> list[LoadPoint]:
    return [dataclasses.replace(point, weights=()) for point in points]


def bench_points(seed: int = 1, runs: int = 2) -> list[LoadPoint]:
    return without_names(Bench(seed, runs=runs).points())


def calibrate(points: Sequence[LoadPoint], **options: float) -> ForceCalibration:
    return calibrate_force(points, Bench(1).conditions, BINDING, **options)  # type: ignore[arg-type]


def changed(points: Sequence[LoadPoint], index: int, **fields: object) -> list[LoadPoint]:
    made = list(points)
    made[index] = dataclasses.replace(made[index], **fields)  # type: ignore[arg-type]
    return made


def test_two_points() -> None:
    points = [point for point in bench_points() if point.mass_kg in (0.0, 100.0)]
    with pytest.raises(PoorFitError, match="2 different loads"):
        calibrate(points)


def test_nothing() -> None:
    with pytest.raises(PoorFitError, match="0 readings"):
        calibrate([])


def test_saturated() -> None:
    points = changed(bench_points(), 5, counts_mean=8_388_607.0)
    with pytest.raises(SaturatedReadingError, match=r"Point 6 \(reading at 100 kg, run 1 up\)"):
        calibrate(points)


def test_span_too_small() -> None:
    points = [
        dataclasses.replace(point, counts_mean=5.0e4 + point.mass_kg) for point in bench_points()
    ]
    with pytest.raises(SpanTooSmallError, match="within 100 counts"):
        calibrate(points)


def test_span_small_against_noise() -> None:
    points = [dataclasses.replace(point, counts_standard_error=9e3) for point in bench_points()]
    with pytest.raises(SpanTooSmallError, match="standard error 9000"):
        calibrate(points)


def test_not_monotonic() -> None:
    points = bench_points()
    third = points[2].counts_mean
    with pytest.raises(PoorFitError, match=r"point 4 \(reading at 60 kg, run 1 up"):
        calibrate(changed(points, 3, counts_mean=third - 500.0))


def test_up_and_down_swapped() -> None:
    swap = {Direction.UP: Direction.DOWN, Direction.DOWN: Direction.UP}
    points = [
        dataclasses.replace(point, direction=swap[point.direction]) for point in bench_points()
    ]
    with pytest.raises(PoorFitError, match=r"Point 2 .* up and down look swapped"):
        calibrate(points)


def test_one_mass_out_of_order() -> None:
    with pytest.raises(PoorFitError, match="one of the two masses is wrong"):
        calibrate(changed(bench_points(), 2, mass_kg=400.0))


@pytest.mark.parametrize("index", [1, 2, 3, 4, 6, 8])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("slip", [5.0, -5.0, 1.0])
def test_typo_in_one_mass_is_found_and_named(index: int, seed: int, slip: float) -> None:
    points = bench_points(seed, runs=1)
    true = points[index].mass_kg
    with pytest.raises(PoorFitError) as refused:
        calibrate(changed(points, index, mass_kg=true + slip))
    assert f"point {index + 1} (reading at {true + slip:g} kg" in refused.value.what
    said = re.search(r"looks ([\d.]+) kg (\w+) than written", refused.value.what)
    assert said is not None
    assert said[2] == ("lighter" if slip > 0.0 else "heavier")
    assert float(said[1]) == pytest.approx(abs(slip), rel=0.02)


def test_typo_among_ten_points_25_for_20() -> None:
    # zero, five loads up, four down: ten points
    points = bench_points(3, runs=1)[:10]
    with pytest.raises(PoorFitError, match=r"point 2 \(reading at 25 kg.* (4\.9|5)\S* kg lighter"):
        calibrate(changed(points, 1, mass_kg=25.0))


def test_the_same_typo_in_every_run_is_named_once() -> None:
    points = [
        dataclasses.replace(point, mass_kg=65.0) if point.mass_kg == 60.0 else point
        for point in bench_points()
    ]
    with pytest.raises(PoorFitError, match=r"every reading at 65 kg looks 5(\.0\d)? kg lighter"):
        calibrate(points)


def test_hanger_forgotten() -> None:
    # 1.5 kg hang with every load, but not at zero, and nobody wrote them down
    bench = Bench(2)
    more = 1.5 * 9.81 * bench.sensitivity_counts_per_newton
    points = [
        dataclasses.replace(point, counts_mean=point.counts_mean + more)
        if point.mass_kg > 0.0
        else point
        for point in without_names(bench.points())
    ]
    with pytest.raises(PoorFitError, match=r"hanger forgotten\?\) looks 1\.5 kg heavier") as no:
        calibrate(points)
    assert "--hanger" in no.value.advice


def test_a_named_weight_that_is_another() -> None:
    bench = Bench(2)
    light = 15.0
    points = []
    for point in bench.points():
        counts = point.counts_mean
        if "C" in point.weights:
            counts -= (20.0 - light) * 9.81 * bench.sensitivity_counts_per_newton
        points.append(dataclasses.replace(point, counts_mean=counts))
    with pytest.raises(PoorFitError, match=r"weight 'C', wherever it hangs, looks 5"):
        calibrate_force(points, bench.conditions, BINDING, weights=bench.by_name)


@pytest.mark.parametrize("seed", range(40))
def test_nobody_is_accused_without_cause(seed: int) -> None:
    bend = (seed % 5) * 1e-3  # up to 0.4 % of curvature is a curve, not a slip
    bench = Bench(seed, bend_relative=bend, runs=1 + seed % 3)
    calibrate_force(bench.points(), bench.conditions, BINDING, weights=bench.by_name)
    calibrate(without_names(bench.points()))


def test_points_that_just_scatter() -> None:
    noise = [900.0, -7000.0, 8000.0, -6000.0, 5000.0, -3000.0]
    points = [
        dataclasses.replace(point, counts_mean=point.counts_mean + noise[(index * 5 + 1) % 6])
        for index, point in enumerate(bench_points())
    ]
    with pytest.raises(PoorFitError, match="of the span off the curve"):
        calibrate(points)


def test_curve_that_turns_round_is_refused() -> None:
    # counts rise at every load, but the parabola through them has its top before the last
    counts = [0.0, 60_000.0, 85_000.0, 87_000.0, 88_000.0, 89_000.0]
    points = [
        LoadPoint(1, Direction.UP, 20.0 * index, value, 3.0, 240)
        for index, value in enumerate(counts)
    ]
    with pytest.raises(PoorFitError, match="degree 2 runs backwards"):
        calibrate(points, degree=2, residual_limit=0.2)


@pytest.mark.parametrize("degree", [0, 4])
def test_degree_out_of_reach(degree: int) -> None:
    with pytest.raises(PoorFitError, match=f"Degree {degree}"):
        calibrate(bench_points(), degree=degree)


@pytest.mark.parametrize(
    ("factor", "said"),
    [
        (1.0 / 0.45359237, "pounds were entered as kilograms"),
        (0.45359237, "kilograms were entered as pounds"),
        (9.80665, "newtons were entered as kilograms"),
        (1000.0, "grams were entered as kilograms"),
    ],
)
def test_wrong_unit(factor: float, said: str) -> None:
    points = [
        dataclasses.replace(point, mass_kg=point.mass_kg * factor) for point in bench_points()
    ]
    with pytest.raises(ReadingsFileError, match=said):
        calibrate(points, expected_counts_per_newton=810.0)
    assert calibrate(bench_points(), expected_counts_per_newton=810.0)


def test_weights_that_do_not_add_up() -> None:
    bench = Bench(1)
    points = bench.points()
    for wrong, said in (
        (dataclasses.replace(points[2], mass_kg=60.0), "add up to 40 kg, not 60 kg"),
        (dataclasses.replace(points[2], weights=("A", "A")), "same weight twice"),
        (dataclasses.replace(points[2], weights=("A", "Z")), "not described: Z"),
    ):
        bad = [*points[:2], wrong, *points[3:]]
        if wrong.mass_kg == 60.0:
            bad = [*points[:2], wrong, dataclasses.replace(points[3], mass_kg=60.0), *points[4:]]
        with pytest.raises(ReadingsFileError, match=said) as refused:
            calibrate_force(bad, bench.conditions, BINDING, weights=bench.by_name)
        assert "Point 3" in refused.value.what


@pytest.mark.parametrize(
    "fields",
    [
        {"mass_kg": -1.0},
        {"mass_kg": float("nan")},
        {"counts_mean": float("inf")},
        {"counts_standard_error": -1.0},
        {"run": 0},
        {"sample_count": 0},
    ],
)
def test_a_point_that_cannot_be(fields: dict[str, float]) -> None:
    with pytest.raises(ReadingsFileError):
        dataclasses.replace(bench_points()[1], **fields)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("field", "value"),
    [("box_id", "0011"), ("channel", 1), ("sensor_serial", "LC-0043"), ("gain", 64)],
)
def test_wrong_box_names_the_difference(field: str, value: object) -> None:
    present: Binding = dataclasses.replace(BINDING, **{field: value})  # type: ignore[arg-type]
    with pytest.raises(WrongBoxError) as refused:
        BINDING.require(present)
    assert str(value) in refused.value.what
    assert str(getattr(BINDING, field)) in refused.value.what
    BINDING.require(dataclasses.replace(BINDING))


def test_conditions_that_cannot_be() -> None:
    with pytest.raises(CalibrationError, match="mass_bound_relative"):
        Conditions(mass_bound_relative=0.5)
    with pytest.raises(CalibrationError, match="creep_bound_relative"):
        Conditions(creep_bound_relative=-1e-3)


def test_a_plate_slipped_while_it_was_read() -> None:
    points = changed(bench_points(), 4, counts_standard_error=700.0)
    with pytest.raises(
        UnstableReadingError, match=r"Point 5 .*80 kg, run 1 up.* moved while"
    ) as no:
        calibrate(points)
    assert "plate slip" in no.value.advice


@pytest.mark.parametrize("place", [3, 7, 13])
@pytest.mark.parametrize("shift", [9_000.0, -6_000.0])
def test_box_moved_in_the_middle_of_a_run(place: int, shift: float) -> None:
    points = bench_points(runs=2)
    run = points[place].run
    moved = [
        dataclasses.replace(point, counts_mean=point.counts_mean + shift)
        if point.run == run and index >= place
        else point
        for index, point in enumerate(points)
    ]
    with pytest.raises(PoorFitError, match=rf"moved during the run: from point {place + 1} ") as no:
        calibrate(moved)
    assert ("higher" if shift > 0.0 else "lower") in no.value.what
    assert "box" in no.value.advice


@pytest.mark.parametrize(("runs", "point"), [(2, "run 1 (from point 1 on)"), (3, "run 2 (from")])
def test_box_moved_between_two_runs(runs: int, point: str) -> None:
    """And if by less than is refused, it is said, and the zero's uncertainty tells it."""

    def shifted(counts: float) -> list[LoadPoint]:
        return [
            dataclasses.replace(each, counts_mean=each.counts_mean + counts)
            if each.run == 2
            else each
            for each in bench_points(runs=runs)
        ]

    with pytest.raises(PoorFitError) as refused:
        calibrate(shifted(12_000.0))
    assert point in refused.value.what
    assert "1.5 % of the span" in refused.value.what
    assert "box" in refused.value.advice
    made = calibrate(shifted(4_000.0))
    assert any("zero wandered by 0." in remark for remark in made.remarks)
    assert made.zero_budget().standard_uncertainty > 1000.0
    assert not any("wandered" in remark for remark in calibrate(bench_points(runs=runs)).remarks)


@pytest.mark.parametrize("runs", [2, 3])
def test_sensor_swapped_between_two_runs(runs: int) -> None:
    points = [
        dataclasses.replace(point, counts_mean=point.counts_mean * 1.05)
        if point.run == 2
        else point
        for point in bench_points(runs=runs)
    ]
    said = "Runs 1 and 2 differ" if runs == 2 else "Run 2 differs from the others"
    with pytest.raises(PoorFitError, match=said) as refused:
        calibrate(points)
    assert "sensor" in refused.value.advice


def test_sensor_swapped_since_the_last_calibration() -> None:
    with pytest.raises(PoorFitError, match=r"850 was expected, -4\.\d %") as refused:
        calibrate(bench_points(), expected_counts_per_newton=850.0)
    assert "sensor swapped" in refused.value.advice


def test_firmware_counts_where_both_sides_know_it() -> None:
    with_firmware = dataclasses.replace(BINDING, firmware="1.4.0")
    with_firmware.require(dataclasses.replace(BINDING, firmware="1.4.7"))
    with_firmware.require(BINDING)
    with pytest.raises(WrongBoxError, match=r"firmware 1\.4 \(here: 2\.0\)"):
        with_firmware.require(dataclasses.replace(BINDING, firmware="2.0.0"))
