"""Each step by itself, on made samples: what it shows, refuses, loses and keeps."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

import pytest
from host.guidance.made_samples import PROFILE, SCALES, Machine, play, visit_of
from steelyard.errors import ActionRefusedError, VisitStateError
from steelyard.guidance.isometric_step import IsometricStep, TestPace
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.set_step import SetStep
from steelyard.guidance.views import (
    BalanceView,
    IsometricView,
    RestraintView,
    SetView,
    StepState,
    Tone,
)
from steelyard.guidance.visit import WITH_RESPONSE, Visit
from steelyard.strength.analysis_lines import plain
from steelyard.strength.form_faults import Prescription
from steelyard.strength.isometric import IsometricPlan
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.set_summary import StopRules
from steelyard_protocol.records import SampleFlags

TEST = (("isometric", "Isometric test"),)
SET = (("set", "Set"),)


def ramp(share: float) -> float:
    share = min(1.0, max(0.0, share))
    return share * share * (3.0 - 2.0 * share)


def push(at: float, begin: float, end: float, torque: float) -> float:
    return torque * min(ramp((at - begin) / 1.5), ramp((end - at) / 1.0))


def pushes(*times: tuple[float, float, float]) -> Callable[[float], float]:
    return lambda at: 5.0 + sum(push(at, *one) for one in times)


def planned(stations: tuple[float, ...] = (30.0,), efforts: int = 1, rest: float = 5.0) -> Visit:
    visit = visit_of(TEST)
    step = visit.step
    assert isinstance(step, IsometricStep)
    step.set_plan(IsometricPlan(stations, efforts, rest_seconds=rest), TestPace(target_nm=150.0))
    visit.acknowledge("operator 1")
    return visit


def isometric(visit: Visit) -> IsometricView:
    step = visit.steps[0].view()
    assert isinstance(step, IsometricView)
    return step


# --- isometric ---------------------------------------------------------------------------------


def test_no_maximal_effort_before_the_cautions_are_acknowledged() -> None:
    visit = visit_of(TEST, SessionFacts(client_range=(-5.0, 55.0)))
    play(visit, Machine(), 1.0)
    assert not isometric(visit).acknowledged
    with pytest.raises(ActionRefusedError, match="acknowledged"):
        visit.act("start")
    with pytest.raises(ActionRefusedError, match="Nobody"):
        visit.acknowledge("  ")
    visit.acknowledge("operator 1")
    visit.act("start")
    assert visit.step is not None
    assert visit.step.state is StepState.RUNNING
    assert [one.degrees for one in isometric(visit).stations] == [52.0, 26.0, 2.0]
    assert "cautions and stop rules acknowledged by operator 1" in visit.take_remarks()


def test_an_effort_goes_through_its_phases_and_is_measured() -> None:
    visit, seen = planned(), []
    machine = Machine(torque=pushes((9.5, 15.5, 200.0)))
    play(visit, machine, 1.0)
    visit.act("start")
    for at, record in machine.between(1.0, 20.0):
        visit.feed([record], at)
        view = isometric(visit)
        if not seen or seen[-1][0] != view.phase:
            seen.append((view.phase, view.words.text))
        if view.phase == "hold":
            assert view.torque_nm is not None
            assert view.guide_nm == 150.0
            assert view.phase_seconds_left is not None
    phases = [phase for phase, _ in seen]
    assert phases == ["to station", "relax", "countdown", "rise", "hold", "release", "done"]
    station = isometric(visit).stations[0]
    assert station.best is not None
    assert station.best.value == pytest.approx(200.0 + 0.5 * PROFILE.friction.value, abs=1.0)
    assert station.efforts[0].valid
    assert visit.steps[0].state is StepState.DONE
    assert json.dumps(plain(visit.view(20.0)), allow_nan=False)


def test_who_does_nothing_gets_no_figure_and_is_asked_again() -> None:
    visit, machine = planned(), Machine(torque=pushes())
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 40.0, 1.0)
    view = isometric(visit)
    assert view.state is StepState.RUNNING
    assert view.stations[0].efforts == ()
    assert any("Nobody pushed" in text for text in visit.take_remarks())


def test_who_lets_go_half_way_is_told_why_it_does_not_count() -> None:
    visit = planned(rest=3.0)
    machine = Machine(torque=pushes((9.5, 12.0, 200.0), (24.0, 30.0, 190.0)))
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 40.0, 1.0)
    first, second = isometric(visit).stations[0].efforts
    assert not first.valid
    assert any("held" in text for text in first.reasons)
    assert second.valid


def test_an_early_push_is_not_lost() -> None:
    visit = planned(efforts=2, rest=60.0)
    machine = Machine(torque=pushes((6.0, 12.0, 200.0), (24.0, 30.0, 195.0)))
    play(visit, machine, 1.0)
    visit.act("start")  # the first push comes in the countdown, the second in the rest
    play(visit, machine, 36.0, 1.0)
    efforts = isometric(visit).stations[0].efforts
    assert [round(one.peak.value / 5.0) for one in efforts if one.peak] == [40, 39]


def test_the_last_effort_can_be_withdrawn_and_done_again() -> None:
    visit = planned(efforts=2, rest=5.0)
    machine = Machine(torque=pushes((9.5, 15.5, 200.0), (30.0, 36.0, 210.0), (48.0, 54.0, 205.0)))
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 20.0, 1.0)
    visit.act("undo_effort")
    assert isometric(visit).stations[0].efforts == ()
    assert visit.stage.tests["before"].stations == ()
    play(visit, machine, 60.0, 20.0)
    peaks = [one.peak.value for one in isometric(visit).stations[0].efforts if one.peak]
    assert peaks == pytest.approx([210.6, 205.6], abs=1.0)
    assert any("withdrawn" in text for text in visit.take_remarks())


def test_overload_lets_go_at_once() -> None:
    visit = planned()
    machine = Machine(torque=pushes((9.5, 16.5, 620.0)))
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 11.5, 1.0)
    view = visit.view(11.5)
    assert "Overload" in view.live.alarm
    assert view.step is not None
    assert (view.step.words.code, view.step.words.tone) == ("let-go", Tone.STOP)
    assert isometric(visit).phase == "release"
    assert sum(text.startswith("ALARM") for text in visit.take_remarks()) == 1


def test_big_stop_marks_and_holds_until_released() -> None:
    visit = planned()
    machine = Machine(torque=pushes((9.5, 16.5, 200.0)))
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 12.0, 1.0)
    visit.take_remarks()
    visit.stop("the client asked")
    assert visit.take_remarks()[0] == "STOP: the client asked"
    assert visit.steps[0].state is StepState.STOPPED
    assert isometric(visit).words.code == "stopped"
    play(visit, machine, 30.0, 12.0)
    assert isometric(visit).stations[0].efforts == ()
    with pytest.raises(ActionRefusedError, match="stopped"):
        visit.act("start")
    visit.release_stop("operator 1")
    with pytest.raises(ActionRefusedError, match="acknowledged"):
        visit.act("start")
    visit.stop()  # never refused
    visit.stop()


def test_the_arm_locked_at_another_station_is_taken_as_that_one() -> None:
    visit = planned((52.0, 30.0))
    machine = Machine(torque=pushes((9.5, 15.5, 200.0)))
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 20.0, 1.0)
    view = isometric(visit)
    assert [len(one.efforts) for one in view.stations] == [0, 1]
    assert view.station_degrees == 52.0
    visit.act("next_station")
    assert visit.steps[0].state is StepState.DONE
    assert [one.state for one in isometric(visit).stations] == ["skipped", "done"]


# --- restraint, balance --------------------------------------------------------------------------


def gentle(at: float) -> float:
    return 25.0 + 25.0 * math.sin(0.6 * at)


@pytest.mark.parametrize(("slide", "holds"), [(0.2, True), (3.0, False)])
def test_restraint_is_judged_live(slide: float, holds: bool) -> None:
    visit = visit_of()
    machine = Machine(degrees=gentle, roller=lambda at: 150.0 + slide * ramp(at - 8.0))
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 15.0, 1.0)
    view = visit.steps[0].view()
    assert isinstance(view, RestraintView)
    assert view.holds is holds
    assert view.arm_range_degrees > 40.0
    assert view.roller_change_degrees == pytest.approx(slide, abs=0.1)
    assert view.words.text == ("Good" if holds else "Hips moving")
    visit.act("finish")
    assert any("slipped by" in text for text in visit.take_remarks()) is not holds


def test_restraint_of_a_client_who_does_not_move_is_not_judged() -> None:
    visit, machine = visit_of(), Machine()
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 10.0, 1.0)
    visit.act("finish")
    view = visit.steps[0].view()
    assert isinstance(view, RestraintView)
    assert view.holds is None
    assert view.statements[0].code == "restraint-not-judged"


def led(at: float) -> float:
    """5 degrees/s from 50 to 0 and back, with stands between."""
    inside = min(max(at - 3.0, 0.0), 10.0) - min(max(at - 15.0, 0.0), 10.0)
    return 50.0 - 5.0 * inside


def weight(at: float) -> float:
    return -30.0 * math.sin(math.radians(led(at) - 3.0))


def swept_once(facts: SessionFacts | None = None) -> tuple[Visit, Machine]:
    """A balance that has been swept once, before the crank is turned."""
    visit = visit_of((("balance", "Balance"),), facts)
    machine = Machine(torque=weight, degrees=led)
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 28.0, 1.0)
    return visit, machine


def test_balance_gives_crank_advice_and_keeps_its_history() -> None:
    visit, machine = swept_once(SessionFacts(crank_turns=20.0))
    view = visit.steps[0].view()
    assert isinstance(view, BalanceView)
    assert (view.phase, view.way, len(view.attempts)) == ("crank", "add", 1)
    assert view.turns_advised == pytest.approx(30.0 / 3.98, abs=0.5)
    assert len(view.curve) > 20
    low, high = visit.facts.client_range or (0.0, 0.0)
    assert (low, high) == (pytest.approx(0.0, abs=0.6), pytest.approx(50.0, abs=0.6))
    with pytest.raises(ActionRefusedError, match="from 0 to 60"):
        visit.act("cranked", turns=99.0)
    visit.act("cranked")
    assert visit.facts.crank_turns == 20.0 + view.turns_advised
    assert [one.turns for one in visit.facts.crank_course] == [20.0, visit.facts.crank_turns]
    balanced = Machine(torque=lambda at: 0.3, degrees=lambda at: led(at - 30.0))
    balanced.sequence = machine.sequence
    play(visit, balanced, 58.0, 28.0)
    view = visit.steps[0].view()
    assert isinstance(view, BalanceView)
    assert (view.phase, view.balanced, view.cranks, len(view.attempts)) == ("balanced", True, 1, 2)
    visit.act("finish")
    assert visit.stage.balance is not None


def test_a_crank_whose_setting_was_never_read_is_turned_as_advised() -> None:
    """Only by how much it was turned is known then: the sweeps before it count no more."""
    visit, machine = swept_once()
    assert visit.stage.balance is not None
    visit.act("cranked")
    assert visit.facts.crank_turns is None
    assert [one.turns for one in visit.facts.crank_course] == [None, None]
    assert visit.facts.crank_course[1].from_seconds == pytest.approx(28.0, abs=0.5)
    assert visit.stage.balance is None
    assert any("its setting not read" in text for text in visit.take_remarks())
    balanced = Machine(torque=lambda at: 0.3, degrees=lambda at: led(at - 30.0))
    balanced.sequence = machine.sequence
    play(visit, balanced, 58.0, 28.0)
    view = visit.steps[0].view()
    assert isinstance(view, BalanceView)
    assert (view.phase, view.balanced, len(view.attempts)) == ("balanced", True, 2)
    assert visit.stage.balance is not None


def test_a_crank_turned_and_not_swept_again_moves_the_balance_by_its_turns() -> None:
    visit, _ = swept_once(SessionFacts(crank_turns=20.0))
    before = visit.stage.balance
    assert before is not None
    visit.act("cranked")
    after = visit.stage.balance
    assert after is not None
    assert before.amplitude.value == pytest.approx(30.0, abs=1.0)
    assert abs(after.worst()[1].value) < 4.0


def test_balance_from_holds_and_from_nothing() -> None:
    def held(at: float) -> float:
        return 5.0 + 20.0 * ramp((at - 8.0) / 2.0) + 20.0 * ramp((at - 18.0) / 2.0)

    visit = visit_of((("balance", "Balance"),))
    machine = Machine(torque=lambda at: -30.0 * math.sin(math.radians(held(at))), degrees=held)
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 3.0, 1.0)
    visit.act("measure")
    assert visit.steps[0].said[0].code == "no-balance"
    assert visit.stage.balance is None
    play(visit, machine, 27.0, 3.0)
    visit.act("measure")
    view = visit.steps[0].view()
    assert isinstance(view, BalanceView)
    assert view.friction is None
    assert visit.stage.balance is not None
    assert visit.stage.balance.amplitude.value == pytest.approx(30.0, abs=1.0)


def test_without_a_calibration_only_the_restraint_is_checked() -> None:
    scales = MachineScales.of(PROFILE, {}, "2025-06-15T12:00:00Z")
    visit, machine = visit_of(scales=scales), Machine(degrees=gentle)
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 12.0, 1.0)
    visit.act("finish")
    view = visit.steps[0].view()
    assert isinstance(view, RestraintView)
    assert view.holds
    visit.next()
    with pytest.raises(ActionRefusedError, match="no calibration"):
        visit.act("start")


# --- a set ---------------------------------------------------------------------------------------


def way(share: float) -> float:
    share = min(1.0, max(0.0, share))
    return share**3 * (10.0 - 15.0 * share + 6.0 * share * share)


def repetition(inside: float, up: float, down: float, reach: float) -> float:
    gone = way(inside / up) - way((inside - up - 1.0) / down)
    return 55.0 - reach * gone


def repetitions(
    begin: float, *each: tuple[float, float, float]
) -> tuple[Callable[[float], float], Callable[[float], float], float]:
    """Angle and torque of (up s, down s, reach degrees) each, and when all is over."""
    starts, at = [], begin
    for up, down, _ in each:
        starts.append(at)
        at += up + down + 2.0

    def degrees(now: float) -> float:
        found = 55.0
        for start, (up, down, reach) in zip(starts, each, strict=True):
            if start <= now < start + up + down + 2.0:
                found = repetition(now - start, up, down, reach)
        return found

    def torque(now: float) -> float:
        return 80.0 if degrees(now) < 54.8 else 0.0

    return degrees, torque, at


def set_visit(rules: StopRules | None = None) -> Visit:
    facts = SessionFacts(
        client_range=(-5.0, 55.0),
        prescription=Prescription(2.2, 4.0),
        stop_rules=rules or StopRules(None, None, None, None),
    )
    visit = visit_of(SET, facts)
    step = visit.step
    assert isinstance(step, SetStep)
    step.choose(50.0, 3)
    return visit


GOOD = (2.2, 4.0, 60.0)


def test_a_set_is_counted_as_it_goes_and_ends_by_itself() -> None:
    visit = set_visit()
    degrees, torque, end = repetitions(3.0, GOOD, GOOD, GOOD)
    machine, phases, paces = Machine(torque=torque, degrees=degrees), [], []
    play(visit, machine, 1.0)
    visit.act("start")
    for at, record in machine.between(1.0, end + 5.0):
        visit.feed([record], at)
        view = visit.steps[0].view()
        assert isinstance(view, SetView)
        if not phases or phases[-1] != (view.phase, view.count):
            phases.append((view.phase, view.count))
        if view.pace is not None:
            paces.append(view.pace)
            place = view.corridor.now_seconds
            assert place is not None
    assert phases[:5] == [
        ("ready", 0), ("concentric", 0), ("turn up", 0), ("eccentric", 0), ("turn down", 0),
    ]  # fmt: skip
    assert phases[-1] == ("done", 3)
    assert min(paces) > 0.8
    assert max(paces) < 1.3  # 1.43 is called too fast
    view = visit.steps[0].view()
    assert isinstance(view, SetView)
    assert view.state is StepState.DONE
    assert not any(one.faults for one in view.repetitions)
    assert visit.stage.sets[0].count == 3


def test_words_come_while_it_goes_wrong() -> None:
    visit = set_visit()
    degrees, torque, end = repetitions(3.0, GOOD, (0.9, 4.0, 60.0), (2.2, 4.0, 35.0), GOOD)
    slide = 3.0 + 8.2 + 6.9 + 8.2 + 1.0  # in the fourth repetition
    machine = Machine(
        torque=torque, degrees=degrees, roller=lambda at: 150.0 + 2.0 * ramp((at - slide) / 0.5)
    )
    said: dict[str, float] = {}
    play(visit, machine, 1.0)
    visit.act("start")
    step = visit.step
    assert isinstance(step, SetStep)
    step.count_asked = 4
    for at, record in machine.between(1.0, end + 5.0):
        visit.feed([record], at)
        view = visit.steps[0].view()
        assert isinstance(view, SetView)
        for word in view.slips:
            said.setdefault(word.code, at)
    assert set(said) == {"too-fast", "short", "slipping"}
    second = 3.0 + 8.2
    assert second < said["too-fast"] < second + 0.9  # while still on the way up
    third = second + 6.9
    assert third + 2.2 < said["short"] < third + 4.5  # as soon as the arm comes back
    assert slide < said["slipping"] < slide + 0.8
    faults = [one.faults for one in visit.steps[0].view().repetitions]  # type: ignore[attr-defined]
    assert faults == [(), ("rushed",), ("short of range",), ("restraint slipped",)]


def test_a_clinicians_rule_says_stop() -> None:
    visit = set_visit(StopRules(repetitions=2))
    degrees, torque, _ = repetitions(3.0, GOOD, GOOD, GOOD)
    machine = Machine(torque=torque, degrees=degrees)
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 3.0 + 2 * 8.2 + 0.8, 1.0)
    view = visit.steps[0].view()
    assert isinstance(view, SetView)
    assert view.stop_advice == "after repetition 2: 2 repetitions done"
    assert view.words.code == "enough"


def test_nobody_lifts_and_nothing_is_invented() -> None:
    visit, machine = set_visit(), Machine(degrees=lambda at: 55.0)
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 15.0, 1.0)
    view = visit.steps[0].view()
    assert isinstance(view, SetView)
    assert "Nothing has moved" in view.advice
    visit.act("finish")
    assert visit.steps[0].result_line() == "no repetition under load"
    assert visit.stage.sets == []


# --- outages, keeping -----------------------------------------------------------------------


def test_silence_interrupts_and_fresh_samples_take_it_up() -> None:
    visit = set_visit()
    degrees, torque, _ = repetitions(3.0, GOOD, GOOD, GOOD)
    machine = Machine(torque=torque, degrees=degrees)
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 13.0, 1.0)  # in the second repetition
    visit.tick(13.2)
    assert visit.steps[0].state is StepState.RUNNING
    visit.tick(13.5)
    view = visit.view(13.5)
    assert not view.live.live
    assert view.step is not None
    assert view.step.state is StepState.INTERRUPTED
    assert view.step.words.code == "not-live"
    assert "The repetition under way is lost. 1 repetitions are kept." in view.step.lost
    machine.sequence += 600
    play(visit, machine, 30.0)
    assert visit.steps[0].state is StepState.RUNNING


@pytest.mark.parametrize("seconds", [0.5, 5.0, 12.0, 14.5])
def test_a_visit_is_put_back_as_it_was_and_goes_on(seconds: float) -> None:
    visit = planned(efforts=2, rest=4.0)
    machine = Machine(torque=pushes((9.5, 15.5, 200.0), (30.0, 36.0, 195.0)))
    play(visit, machine, 0.4)
    visit.act("start")
    play(visit, machine, 16.0 + seconds, 0.4)
    kept = visit.to_json()
    again = Visit.from_json(kept, SCALES)
    step = again.steps[0]
    assert isinstance(step, IsometricStep)
    assert step.state is StepState.INTERRUPTED
    assert step.lost == "The program was started again."
    assert again.stage.acknowledged_by == "operator 1"
    former = visit.steps[0]
    assert isinstance(former, IsometricStep)
    assert [one.efforts for one in step.records] == [one.efforts for one in former.records]
    if seconds < 10.0:
        play(again, machine, 45.0, 16.0 + seconds)
        assert len(step.records[0].efforts) == 2


def test_time_runs_on_over_a_restart_of_the_program() -> None:
    visit, machine = planned(), Machine()
    play(visit, machine, 10.0)
    again = Visit.from_json(visit.to_json(), SCALES)
    machine.sequence += 300  # nobody listened meanwhile
    at = machine.sequence * 0.0116
    play(again, machine, at + 1.0)
    assert again.live.seconds == pytest.approx(at + 1.0, abs=0.02)
    other = Visit.from_json(again.to_json(), SCALES)
    for now, record in machine.restarted().between(0.0, 1.0):
        other.feed([record], at + 4.0 + now)
    assert other.live.seconds == pytest.approx(at + 5.0, abs=0.05)


def test_a_lost_link_interrupts_at_once() -> None:
    visit, machine = set_visit(), Machine(degrees=lambda at: 55.0)
    play(visit, machine, 1.0)
    visit.act("start")
    visit.lose_link("cable out")
    view = visit.view(1.0)
    assert view.outage == "cable out"
    assert view.step is not None
    assert view.step.state is StepState.INTERRUPTED
    play(visit, machine, 2.0, 1.0)
    assert visit.steps[0].state is StepState.RUNNING


def test_every_step_outlives_a_restart() -> None:
    visit = visit_of(WITH_RESPONSE, SessionFacts(client_range=(0.0, 50.0), crank_turns=3.0))
    machine = Machine(degrees=gentle)
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 9.0, 1.0)
    visit.act("finish")
    visit.next()
    visit.act("skip")
    visit.take_remarks()
    text = visit.to_json()
    assert Visit.from_json(text, SCALES).to_json() == text


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "no kept visit"),
        ("{}", "no kept visit"),
        ('{"schema": "steelyard visit", "schema_version": 9}', "Version 9"),
        ('{"schema": "steelyard visit", "schema_version": 1, "machine": "Wren"}', "Wren"),
        ('{"schema": "steelyard visit", "schema_version": 1, "machine": "Heron"}', "understood"),
        (
            '{"schema": "steelyard visit", "schema_version": 1, "machine": "Heron", "steps": 7}',
            "understood",
        ),
    ],
)
def test_what_is_no_visit_is_refused(text: str, match: str) -> None:
    with pytest.raises(VisitStateError, match=match):
        Visit.from_json(text, SCALES)


def test_actions_that_are_not_offered_are_refused() -> None:
    visit = visit_of()
    with pytest.raises(ActionRefusedError, match="no sample"):
        visit.act("start")
    for action in ("finish", "stop", "kept", "advance", "_judge"):
        with pytest.raises(ActionRefusedError):
            visit.act(action)
    play(visit, Machine(), 1.0)
    visit.act("start")
    with pytest.raises(ActionRefusedError, match="still going on"):
        visit.next()
    with pytest.raises(ActionRefusedError, match="still going on"):
        visit.go_to(2)
    visit.act("stop")
    with pytest.raises(ActionRefusedError, match="no step 9"):
        visit.go_to(9)
    visit.go_to(1)
    assert visit.current == 1


def test_saturated_effort_gives_no_peak() -> None:
    visit = planned()
    machine = Machine(
        torque=pushes((9.5, 15.5, 200.0)),
        flags=lambda at: int(SampleFlags.SATURATED_HIGH) if 12.0 < at < 12.6 else 0,
    )
    play(visit, machine, 1.0)
    visit.act("start")
    play(visit, machine, 20.0, 1.0)
    (effort,) = isometric(visit).stations[0].efforts
    assert effort.peak is None
    assert not effort.valid
    assert any("end of its range" in text for text in effort.reasons)
