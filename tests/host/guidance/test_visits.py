"""Whole visits on the virtual machines, each with another client: live against recorded.

``STEELYARD_GUIDED_VISITS=10`` does the full order of steps with so many seeds, on both machines.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from host.guidance.comparing import (
    assert_live_is_recorded,
    assert_session_agrees,
    whole_session,
)
from host.guidance.gym import Gym, replayed
from steelyard.guidance.client_words import FOR_FAULT
from steelyard.guidance.views import BalanceView, IsometricView, SetView, StepState, VisitView
from steelyard.guidance.visit import USUAL, WITH_RESPONSE, Visit
from steelyard.recording.reader import Recording
from steelyard.strength.form_faults import Fault

SEEDS = int(os.environ.get("STEELYARD_GUIDED_VISITS", "1"))
WHOLE_VISITS = [("heron", 6.0, WITH_RESPONSE), ("wren", -5.0, USUAL)][: 1 if SEEDS == 1 else 2]
SET_ONLY = (("set", "Set"),)
TEST_ONLY = (("isometric", "Isometric test"),)


def remarks(recording: Recording) -> list[str]:
    return [one.text[: one.length].decode() for one in recording.annotations]


def state(visit: Visit) -> dict[str, Any]:
    """All of a visit but when its last piece of the stream came."""
    content: dict[str, Any] = json.loads(visit.to_json())
    del content["time"]["at_seconds"]
    return content


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, SEEDS + 1))
@pytest.mark.parametrize(("machine", "turns_off", "order"), WHOLE_VISITS)
def test_a_whole_visit_live_is_the_recorded_one(
    tmp_path: Path, machine: str, turns_off: float, order: tuple[tuple[str, str], ...], seed: int
) -> None:
    gym = Gym(tmp_path, machine, seed=seed, turns_off=turns_off, count=3, order=order)
    recording = gym.run()
    assert gym.ended
    assert {one.state for one in gym.views[-1].steps} == {StepState.DONE}
    assert assert_live_is_recorded(gym, recording) >= 5
    assert_session_agrees(gym, whole_session(gym, recording))
    balances = [view.step for view in gym.views if isinstance(view.step, BalanceView)]
    assert 1 <= balances[-1].cranks <= 3
    assert balances[-1].balanced
    said = remarks(recording)
    for title in ("Restraint check", "Balance", "Isometric test", "Set"):
        assert any(text.startswith(f"{title}: begin") for text in said)
    assert Visit.from_json(gym.visit.to_json(), gym.scales).to_json() == gym.visit.to_json()
    assert state(replayed(gym, [1, 977, 3, 50])) == state(gym.visit)
    feeding = gym.feeding_seconds / gym.visit.stage.now
    viewing = gym.viewing_seconds / gym.views_total
    print(f"\nfeeding a second: {1e3 * feeding:.1f} ms; a view: {1e3 * viewing:.2f} ms")
    # How fast is the computer's matter; that a view costs less than a second of samples is ours.
    assert viewing < feeding


def shown_words(gym: Gym) -> set[str]:
    return {
        word.code
        for view in gym.views
        if isinstance(view.step, SetView)
        for word in view.step.slips
    }


@pytest.mark.slow
@pytest.mark.parametrize(
    ("manner", "expected"),
    [
        ("steady", set()),
        ("rushed", {Fault.RUSHED}),
        ("slipping", {Fault.SLIPPED}),
        ("uneven", {Fault.UNEVEN}),
        ("partial", {Fault.SHORT}),
    ],
)
def test_words_in_a_set_are_the_faults_of_the_recording(
    tmp_path: Path, manner: str, expected: set[Fault]
) -> None:
    gym = Gym(tmp_path, manner=manner, order=SET_ONLY, count=4)
    recording = gym.run()
    assert gym.ended
    assert assert_live_is_recorded(gym, recording) == 1
    found = whole_session(gym, recording)
    assert_session_agrees(gym, found)
    (one,) = found.sets
    assert one.count == 4
    faults = {fault for each in one.repetitions for fault in each.faults}
    assert expected <= faults
    assert {FOR_FAULT[fault].code for fault in faults} <= shown_words(gym)
    if not faults:
        assert not shown_words(gym)


@pytest.mark.slow
def test_who_stops_after_three_is_counted_and_who_is_too_weak_gets_no_figure(
    tmp_path: Path,
) -> None:
    (tmp_path / "a").mkdir()
    gym = Gym(tmp_path / "a", manner="stops", order=SET_ONLY, count=8)
    recording = gym.run()
    (found,) = whole_session(gym, recording).sets
    assert found.count == gym.visit.stage.sets[0].count == 3
    (tmp_path / "b").mkdir()
    weak = Gym(tmp_path / "b", manner="weak", order=SET_ONLY, count=3, stack_share=1.7)
    recording = weak.run()
    assert not whole_session(weak, recording).sets
    assert not weak.visit.stage.sets
    view = weak.visit.steps[0].view()
    assert isinstance(view, SetView)
    assert view.work is None
    assert [one.code for one in view.statements] == ["no-repetition"]
    advice = {one.step.advice for one in weak.views if one.step is not None}
    assert any("Nothing has moved" in text for text in advice)


@pytest.mark.slow
def test_an_abrupt_client_is_told_and_asked_once_more(tmp_path: Path) -> None:
    gym = Gym(tmp_path, manner="abrupt", order=TEST_ONLY, stations=1)
    recording = gym.run()
    assert assert_live_is_recorded(gym, recording) == 2
    assert_session_agrees(gym, whole_session(gym, recording))
    view = gym.visit.steps[0].view()
    assert isinstance(view, IsometricView)
    assert [one.valid for one in view.stations[0].efforts] == [False, False]
    assert view.stations[0].best is None


def holding(view: VisitView) -> bool:
    return isinstance(view.step, IsometricView) and view.step.phase == "hold"


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["unplug", "reboot"])
def test_an_outage_in_an_effort_costs_that_effort_only(tmp_path: Path, fault: str) -> None:
    gym = Gym(tmp_path, order=TEST_ONLY, stations=2)
    gym.acts.append((holding, lambda it: it.strike(fault, 3.0 if fault == "unplug" else None)))
    recording = gym.run()
    assert gym.ended
    assert len(recording.boot_ids) == 2
    assert assert_live_is_recorded(gym, recording) == 2
    assert any("The effort going on is lost" in text for text in remarks(recording))
    test = gym.visit.stage.tests["before"]
    assert [len(station.efforts) for station in test.stations] == [1, 1]
    assert all(station.best for station in test.stations)
    boots = {
        attempt.stretch.boot_id
        for record in gym.visit.steps[0].records
        for attempt in record.attempts  # type: ignore[attr-defined]
    }
    assert boots == {recording.boot_ids[1]}


@pytest.mark.slow
def test_a_reboot_in_a_set_keeps_what_was_done_and_invents_nothing(tmp_path: Path) -> None:
    def third(view: VisitView) -> bool:
        step = view.step
        return isinstance(step, SetView) and step.count == 2 and step.phase == "eccentric"

    gym = Gym(tmp_path, order=SET_ONLY, count=5)
    gym.acts.append((third, lambda it: it.strike("reboot")))
    recording = gym.run()
    assert gym.ended
    assert_live_is_recorded(gym, recording)
    assert any("2 repetitions are kept" in text for text in remarks(recording))
    counts = [one.count for one in gym.visit.stage.sets]
    assert counts == [2, 2]
    assert not any(one.findings for each in gym.visit.stage.sets for one in each.repetitions)
    assert sum(one.count for one in whole_session(gym, recording).sets) == 4


@pytest.mark.slow
def test_saturation_in_an_effort_is_told_and_gives_no_peak(tmp_path: Path) -> None:
    gym = Gym(tmp_path, order=TEST_ONLY, stations=1)
    gym.acts.append((holding, lambda it: it.strike("saturate_high", 0.6)))
    recording = gym.run()
    assert_live_is_recorded(gym, recording)
    assert_session_agrees(gym, whole_session(gym, recording))
    first = gym.visit.stage.tests["before"].efforts[0]
    assert first.peak is None
    qualities = {view.live.torque_quality.value for view in gym.views}
    assert "saturated" in qualities
    assert all(
        view.live.torque_nm is None
        for view in gym.views
        if view.live.torque_quality.value == "saturated"
    )
