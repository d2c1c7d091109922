"""History, as found and as left, daily checks: what is written, and what is not allowed."""

from __future__ import annotations

import contextlib
import dataclasses
import json
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration import (
    AngleConditions,
    AnglePoint,
    Direction,
    ForceCalibration,
    LoadPoint,
    calibrate_angle,
    calibrate_force,
)
from steelyard.calibration.comparison import Comparison, changes, compare, compare_angle
from steelyard.calibration.daily_check import (
    CheckState,
    DailyCheck,
    daily_check,
    drift_charts,
    judge,
)
from steelyard.calibration.history import Act, History
from steelyard.calibration.readings import Binding
from steelyard.calibration.register import Register, find_registers, one_register
from steelyard.calibration.zero_in_force import zero_in_force
from steelyard.errors import (
    CalibrationError,
    CalibrationFileError,
    ReadingsFileError,
    WrongBoxError,
)

FIRST, SECOND, THIRD = "2026-01-12T09:00:00Z", "2026-07-01T09:00:00Z", "2026-07-02T09:00:00Z"


@cache
def calibration(seed: int = 1, at: str = FIRST) -> ForceCalibration:
    bench = Bench(seed, taken_at=at)
    return calibrate_force(bench.points(), bench.conditions, BINDING, weights=bench.by_name)


def register(folder: Path) -> Register:
    return Register(folder, BINDING.box_id, BINDING.channel)


def as_found(bench: Bench, at: str = SECOND, gain: float = 1.0) -> Comparison:
    conditions = dataclasses.replace(bench.conditions, taken_at=at)
    points = [
        dataclasses.replace(
            point, counts_mean=bench.zero_counts + (point.counts_mean - bench.zero_counts) * gain
        )
        for point in bench.points()
    ]
    return compare(calibration(), points, conditions, bench.by_name)


def test_nothing_is_replaced_before_it_was_read(tmp_path: Path) -> None:
    kept = register(tmp_path)
    kept.put_in_force(calibration(), FIRST, "T-2")
    other = calibration(2, SECOND)
    with pytest.raises(CalibrationError, match="as found"):
        kept.put_in_force(other, SECOND, "T-2")
    assert kept.in_force() == calibration()
    assert len(list(tmp_path.glob("*.calibration.json"))) == 1
    found = as_found(Bench(1))
    kept.add(Act.AS_FOUND, SECOND, "T-2", calibration().calibration_id, found.as_plain())
    kept.put_in_force(other, SECOND, "T-2")
    assert kept.in_force() == other
    assert kept.calibrations() == [calibration(), other]
    # the as-found reading was of the one before; the next change needs its own
    with pytest.raises(CalibrationError, match="as found"):
        kept.put_in_force(calibration(3), THIRD, "T-2")


def test_a_stated_reason_stands_in_for_as_found(tmp_path: Path) -> None:
    kept = register(tmp_path)
    kept.put_in_force(calibration(), FIRST, "T-2")
    kept.put_in_force(calibration(2), SECOND, "T-2", "cell torn off")
    entry = kept.history().of(Act.IN_FORCE)[-1]
    assert entry.content["no_as_found"] == "cell torn off"


def test_the_same_calibration_twice_is_one_entry(tmp_path: Path) -> None:
    kept = register(tmp_path)
    path = kept.put_in_force(calibration(), FIRST, "T-2")
    assert kept.put_in_force(calibration(), SECOND, "T-2") == path
    assert len(kept.history().entries) == 1


def test_another_channel_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WrongBoxError, match="channel"):
        Register(tmp_path, BINDING.box_id, 1).put_in_force(calibration(), FIRST, "T-2")
    assert list(tmp_path.iterdir()) == []


def history() -> History:
    made = History().added(Act.IN_FORCE, FIRST, "T-2", "a" * 64, {})
    made = made.added(Act.ZEROED, SECOND, "T-3", "a" * 64, {"shift_counts": 12.5})
    return made.added(Act.AS_FOUND, SECOND, "T-2", "a" * 64, {"loads": []})


def test_history_reads_back() -> None:
    again = History.from_text(history().to_text())
    assert again == history()
    assert again.head == history().head
    assert again.in_force == "a" * 64
    assert History.from_text("") == History()


@given(st.data())
def test_any_change_but_a_cut_at_the_end_is_noticed(data: st.DataObject) -> None:
    raw = history().to_text()
    place = data.draw(st.integers(0, len(raw) - 1))
    kind = data.draw(st.sampled_from(["edit", "delete", "insert"]))
    if kind == "edit":
        letter = data.draw(st.sampled_from('09az \n{"').filter(lambda x: x != raw[place]))
        changed = raw[:place] + letter + raw[place + 1 :]
    elif kind == "delete":
        changed = raw[:place] + raw[place + 1 :]
    else:
        changed = raw[:place] + "0" + raw[place:]
    # the last entry has nobody after it: its hash stands on the certificate
    with contextlib.suppress(CalibrationFileError):
        assert History.from_text(changed).head != history().head


@pytest.mark.parametrize("gone", [0, 1])
def test_a_removed_line_is_noticed(gone: int) -> None:
    rows = history().to_text().splitlines(keepends=True)
    with pytest.raises(CalibrationFileError, match=f"Line {gone + 1} .*does not follow"):
        History.from_text("".join(rows[:gone] + rows[gone + 1 :]))


def test_rules_of_the_history() -> None:
    with pytest.raises(CalibrationError, match="not in force"):
        history().added(Act.CHECKED, THIRD, "", "b" * 64, {})
    with pytest.raises(CalibrationError, match="clock"):
        history().added(Act.ZEROED, FIRST, "", "a" * 64, {})
    with pytest.raises(CalibrationError, match="finite"):
        history().added(Act.ZEROED, THIRD, "", "a" * 64, {"x": float("nan")})
    with pytest.raises(CalibrationError, match="no date"):
        history().added(Act.ZEROED, "soon", "", "a" * 64, {})


def test_damaged_history_file_is_named(tmp_path: Path) -> None:
    kept = register(tmp_path)
    kept.put_in_force(calibration(), FIRST, "T-2")
    for damage in (b"\xff", b"{}\n", b"nonsense"):
        kept.history_path.write_bytes(damage)
        with pytest.raises(CalibrationFileError, match="history") as refused:
            kept.history()
        assert kept.history_path.name in refused.value.what


def test_registers_are_found(tmp_path: Path) -> None:
    register(tmp_path).put_in_force(calibration(), FIRST, "T-2")
    assert [item.channel for item in find_registers(tmp_path)] == [0]
    assert one_register(tmp_path, None, None).box_id == BINDING.box_id
    with pytest.raises(CalibrationError, match="none"):
        one_register(tmp_path, None, 5)


def test_missing_calibration_file_is_named(tmp_path: Path) -> None:
    kept = register(tmp_path)
    kept.put_in_force(calibration(), FIRST, "T-2").unlink()
    with pytest.raises(CalibrationFileError, match="could not be read"):
        kept.in_force()


def test_as_found_of_a_sound_channel_agrees() -> None:
    found = as_found(Bench(1))
    assert found.agrees
    assert len(found.loads) == 27
    assert "27 of 27" in found.sentence()
    plain = json.loads(json.dumps(found.as_plain()))
    assert Comparison.from_plain(plain) == found


def test_as_found_of_a_drifted_channel_does_not() -> None:
    found = as_found(Bench(1), gain=1.003)
    assert not found.agrees
    worst = found.worst
    assert worst.error == pytest.approx(0.003 * worst.reference, rel=0.15)


def test_a_zero_far_away_is_a_finding_and_no_refusal() -> None:
    bench = Bench(1)
    points = [
        dataclasses.replace(point, counts_mean=point.counts_mean + 90_000.0)
        for point in bench.points()
    ]
    conditions = dataclasses.replace(bench.conditions, taken_at=SECOND)
    found = compare(calibration(), points, conditions, bench.by_name)
    assert found.zero_shift_counts == pytest.approx(90_000.0, abs=200.0)
    assert found.agrees


def test_comparison_needs_a_zero_and_a_load() -> None:
    bench = Bench(1)
    loaded = [point for point in bench.points() if point.mass_kg > 0.0]
    with pytest.raises(ReadingsFileError, match="Take the zero first"):
        compare(calibration(), loaded, bench.conditions, bench.by_name)
    with pytest.raises(ReadingsFileError, match="No reading has a load"):
        compare(calibration(), bench.points()[:1], bench.conditions, bench.by_name)


def test_calibrations_beside_each_other() -> None:
    again = calibration(1, SECOND)
    moved = dataclasses.replace(Bench(1), sensitivity_counts_per_newton=815.0, taken_at=THIRD)
    third = calibrate_force(moved.points(), moved.conditions, BINDING, weights=moved.by_name)
    first, second, last = changes([calibration(), again, third])
    assert first.sensitivity_change_relative is None
    assert second.sensitivity_change_relative == pytest.approx(0.0, abs=1e-12)
    assert second.normalised_change is not None
    assert second.normalised_change < 1.0
    assert last.sensitivity_change_relative == pytest.approx(2.5 / 812.5, rel=0.05)
    assert last.normalised_change is not None
    assert last.normalised_change > 1.0


def test_angle_as_found() -> None:
    points = [AnglePoint(angle, 1000.0 + angle * 4096.0 / 360.0) for angle in (0.0, 30.0, 60.0)]
    made = calibrate_angle(
        points, Binding("ab", 2, "M"), counts_per_turn=4096, conditions=AngleConditions(0.2)
    )
    shifted = [AnglePoint(point.angle_degrees - 1.5, point.counts_mean) for point in points]
    found = compare_angle(made, shifted, SECOND)
    assert [round(row["error_degrees"], 6) for row in found["positions"]] == [1.5] * 3


def check_points(bench: Bench, extra: float = 0.0, unhung: float = 0.0) -> list[LoadPoint]:
    newtons = bench.true_newtons(("A",)) * (1.0 + extra)
    ways = [(Direction.UP, 0.0), (Direction.UP, 20.0), (Direction.DOWN, 0.0)]
    counts = [bench.true_counts(0.0), bench.true_counts(newtons), bench.true_counts(0.0) + unhung]
    return [
        LoadPoint(
            1, way, mass, value + bench.random.normal(0.0, 3.0), 3.0, 240, ("A",) * (mass > 0)
        )
        for (way, mass), value in zip(ways, counts, strict=True)
    ]


def checked(bench: Bench, extra: float = 0.0, unhung: float = 0.0) -> DailyCheck:
    conditions = dataclasses.replace(bench.conditions, taken_at=SECOND)
    return daily_check(calibration(), check_points(bench, extra, unhung), conditions, bench.by_name)


def test_a_sound_day() -> None:
    check = checked(Bench(1))
    assert check.load.agrees
    assert judge(check, drift_charts([check.load.error], 0.01)) == (CheckState.SOUND, ())
    assert DailyCheck.from_plain(json.loads(json.dumps(check.as_plain()))) == check


def test_a_bad_day_says_why() -> None:
    bent, loose = checked(Bench(1), extra=0.004), checked(Bench(1), unhung=2_000.0)
    state, reasons = judge(bent, drift_charts([bent.load.error], 0.01))
    assert state is CheckState.OUT
    assert "more than its uncertainty" in reasons[0]
    state, reasons = judge(loose, drift_charts([loose.load.error], 0.01))
    assert state is CheckState.OUT
    assert "zero came back" in reasons[0]


def test_readings_that_are_no_check() -> None:
    bench = Bench(1)
    for points in (bench.points(), check_points(bench)[:2], check_points(bench)[::-1][:2]):
        with pytest.raises(ReadingsFileError, match="three readings"):
            daily_check(calibration(), points, bench.conditions, bench.by_name)


def days(seed: int, drift: Sequence[float]) -> list[float]:
    return [float(x) for x in np.random.default_rng(seed).normal(0.0, 0.01, len(drift)) + drift]


def test_no_chart_before_there_is_a_base() -> None:
    charts = drift_charts(days(1, [0.0] * 9), 0.001)
    assert charts.individuals is None
    assert charts.signals == ()


def test_charts_rarely_warn_of_nothing() -> None:
    warned = sum(bool(drift_charts(days(seed, [0.0] * 30), 0.001).signals) for seed in range(200))
    assert warned <= 20


def test_slow_drift_is_noticed_long_before_it_matters() -> None:
    # a tenth of the daily scatter a day: after 25 days two and a half of it
    drift = [0.0] * 10 + [0.001 * day for day in range(1, 31)]
    noticed = 0
    for seed in range(50):
        values = days(seed, drift)
        noticed += any(
            drift_charts(values[:count], 0.001).signals for count in range(12, len(values) + 1)
        )
    assert noticed >= 45


def test_equal_errors_do_not_break_the_charts() -> None:
    charts = drift_charts([0.25] * 15, 0.002)
    assert charts.signals == ()
    assert charts.individuals is not None
    assert charts.individuals.upper[0] > 0.25


def zeroed(shift_counts: float = 40.0, at: str = "2026-02-02T07:00:00Z") -> History:
    """A history with one zeroing."""
    own = calibration()
    content = {"shift_counts": shift_counts, "counts_standard_error": 2.0, "taken_at": at}
    started = History().added(Act.IN_FORCE, FIRST, "T-2", own.calibration_id, {})
    return started.added(Act.ZEROED, at, "T-2", own.calibration_id, content)


@pytest.mark.parametrize(
    ("at", "shift", "said"),
    [
        ("2026-02-02T06:59:00Z", None, "not zeroed"),
        ("2026-02-02T07:00:00Z", 40.0, "shift +40.0 counts"),
        ("2026-02-02T18:59:00Z", 40.0, "applied"),
        ("2026-02-03T07:00:00Z", None, "24 h old, more than 12: not applied"),
    ],
)
def test_a_zeroing_counts_for_its_day_only(at: str, shift: float | None, said: str) -> None:
    found = zero_in_force(zeroed(), calibration(), at)
    assert (None if found.zero is None else found.zero.shift_counts) == (
        None if shift is None else pytest.approx(shift)
    )
    assert said in found.text


def test_a_zeroing_of_another_calibration_or_beyond_the_bound_is_not_used() -> None:
    at = "2026-02-02T08:00:00Z"
    assert zero_in_force(zeroed(), calibration(2), at).zero is None
    with pytest.raises(CalibrationError, match="more than the"):
        zero_in_force(zeroed(1e6), calibration(), at)
    own = calibration()
    bare = History().added(Act.IN_FORCE, FIRST, "T-2", own.calibration_id, {})
    bare = bare.added(Act.ZEROED, at, "T-2", own.calibration_id, {"taken_at": at})
    with pytest.raises(CalibrationFileError, match="shift_counts"):
        zero_in_force(bare, own, at)
