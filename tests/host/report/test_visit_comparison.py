"""Visit to visit: what is compared with what, and what is called real."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from steelyard.errors import ReportError, ResultFileError
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.report.result_file import load_result, result_content, save_result
from steelyard.report.tested_visit import TestedVisit, visit_of_analysis, visit_of_result
from steelyard.report.visit_comparison import FIRST_TEST, compare_visits, mean_torque
from steelyard.strength.machine_profile import Joint
from steelyard.strength.torque_curve import CurvePoint, TorqueCurve
from steelyard.strength.visits import LITERATURE

ANGLES = (0.0, 25.0, 50.0)


def a_visit(day: str, *torques: float, angles: tuple[float, ...] = ANGLES) -> TestedVisit:
    points = tuple(CurvePoint(at, nm, 1.0, 0.6) for at, nm in zip(angles, torques, strict=False))
    return TestedVisit(f"of {day}", f"{day}T10:00:00Z", "C-001", "Heron", Joint.LUMBAR, points)


def test_a_large_change_is_real_and_a_small_one_is_not() -> None:
    limit = LITERATURE[Joint.LUMBAR].value
    beyond = limit + 5.0
    now = a_visit("2025-02-01", 120 + beyond, 162, 200 - beyond)
    found = compare_visits([a_visit("2025-01-01", 120, 160, 200)], now)
    assert found is not None
    real = [line.since_last.real for line in found.lines[:3] if line.since_last]
    assert real == [True, False, True]
    assert found.whole is not None
    assert found.whole.since_last is not None
    assert not found.whole.since_last.real
    assert FIRST_TEST in found.remarks


def test_own_repeat_tests_take_the_place_of_literature() -> None:
    source = np.random.default_rng(4)
    truth = source.normal(200.0, 40.0, (12, 1))
    repeats = truth + source.normal(0.0, 3.0, (12, 2)) + np.array([0.0, 9.0])
    found = compare_visits(
        [a_visit("2025-01-01", 120, 160, 200)], a_visit("2025-02-01", 135, 175, 215), repeats
    )
    assert found is not None
    assert "own repeat tests of 12" in found.detectable.source
    assert all(line.since_last is not None and line.since_last.real for line in found.lines)
    assert any("higher by" in one for one in found.remarks)  # the learning that was put in


def test_the_second_test_is_the_baseline_once_there_are_three() -> None:
    visits = [a_visit(f"2025-0{month}-01", *(nm + 100 for nm in (20, 60, 100)))
              for month in (1, 2, 3)]  # fmt: skip
    found = compare_visits(visits[:2], visits[2])
    assert found is not None
    assert found.baseline == 1
    assert found.days == ("2025-01-01", "2025-02-01", "2025-03-01")
    four = compare_visits(
        [*visits, a_visit("2025-04-01", 123, 163, 203)], a_visit("2025-05-01", 126, 166, 206)
    )
    assert four is not None
    assert four.lines[0].trend is not None
    assert four.lines[0].trend.visits == 4  # the first test is no part of it
    assert 2.0 < four.lines[0].trend.per_month.value < 4.0


def test_order_and_repeated_files_do_not_matter_and_later_visits_are_left_out() -> None:
    one, two = a_visit("2025-01-01", 120, 160, 200), a_visit("2025-02-01", 121, 161, 201)
    now = a_visit("2025-03-01", 122, 162, 202)
    found = compare_visits([two, one, two, now, a_visit("2026-01-01", 1, 1, 1)], now)
    assert found is not None
    assert found.days == ("2025-01-01", "2025-02-01", "2025-03-01")
    assert compare_visits([], now) is None
    assert compare_visits([now], now) is None


def test_other_clients_and_machines_are_refused() -> None:
    now = a_visit("2025-03-01", 122, 162, 202)
    for other, words in (
        (replace(now, recording_id="x", client_code="C-002"), "one client"),
        (replace(now, recording_id="x", machine="Wren"), "two machines"),
    ):
        with pytest.raises(ReportError) as refused:
            compare_visits([other], now)
        assert words in refused.value.advice


def test_a_station_not_tested_before_is_not_taken_from_the_curve_between() -> None:
    found = compare_visits(
        [a_visit("2025-01-01", 120, 200, angles=(0.0, 50.0))], a_visit("2025-02-01", 121, 161, 201)
    )
    assert found is not None
    middle = next(line for line in found.lines if line.name == "at 25°")
    assert middle.since_last is None
    assert middle.values[0] is None
    assert found.whole is not None
    narrow = compare_visits(
        [a_visit("2025-01-01", 1, 2, angles=(60.0, 70.0))], a_visit("2025-02-01", 121, 161, 201)
    )
    assert narrow is not None
    assert narrow.whole is None
    assert any("no range in common" in one for one in narrow.remarks)


def test_mean_over_a_part_of_the_curve() -> None:
    curve = TorqueCurve((CurvePoint(0.0, 100.0, 2.0, 1.0), CurvePoint(40.0, 180.0, 2.0, 1.0)))
    assert mean_torque(curve, 10.0, 30.0).value == pytest.approx(140.0)
    assert mean_torque(curve, 0.0, 40.0).value == pytest.approx(140.0)
    # two ends that err apart, by trapezes, and what they share
    own = math.sqrt(3.0) / math.sqrt(2.0)
    assert mean_torque(curve, 0.0, 40.0).standard_uncertainty == pytest.approx(math.hypot(1, own))


def test_a_result_file_gives_the_same_visit_as_the_analysis(
    analysed: RecordedAnalysis, tmp_path: Path
) -> None:
    path = tmp_path / "monday.result.json"
    save_result(result_content(analysed), path)
    assert visit_of_result(load_result(path)) == visit_of_analysis(analysed)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("C-001", "C-002"), encoding="utf-8")
    with pytest.raises(ResultFileError, match="changed after it was made"):
        visit_of_result(load_result(path))
