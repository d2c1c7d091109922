"""Repetitions: counted exactly, measured by phase, and judged by the clinician's rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from host.strength.synthetic import Array, course, hold, signals
from host.strength.visit import take_visit
from hypothesis import example, given, settings
from hypothesis import strategies as st
from steelyard.simulator.client_model import MANNERS, Manner
from steelyard.strength.form_faults import Fault, Prescription
from steelyard.strength.load_rule import LoadRule, next_load
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.repetitions import find_repetitions, into_sets, turning_points
from steelyard.strength.session_analysis import SessionFacts, analyse_session
from steelyard.strength.set_summary import SetSummary, StopRules, stop_advice, summarise_set
from steelyard.strength.signals import GRID_HZ, Signals

HERON = ready_profile("heron")
LOAD_NM = 86.0


def repetitions(
    count: int, *, reach: float = 50.0, pause: float = 0.8, noise: float = 0.03, seed: int = 0
) -> Signals:
    parts: list[Array] = [hold(50.0, 2.0)]
    for _ in range(count):
        parts += [
            course(50.0, 50.0 - reach, 2.0),
            hold(50.0 - reach, 1.0),
            course(50.0 - reach, 50.0, 4.0),
            hold(50.0, pause),
        ]
    parts.append(hold(50.0, 2.0))
    degrees = np.concatenate(parts)
    lifted = degrees < 49.5
    degrees = degrees + np.random.default_rng(seed).normal(0.0, noise, len(degrees))
    return signals(degrees, LOAD_NM * lifted, np.full(len(degrees), 150.0))


def summed(found: Signals, **asked: object) -> SetSummary:
    prescribed = Prescription(2.0, 4.0, **asked)  # type: ignore[arg-type]
    return summarise_set(found, find_repetitions(found, 50.0, LOAD_NM), HERON, prescribed, 50.0)


@given(st.integers(0, 9), st.floats(15.0, 50.0), st.floats(0.0, 5.0), st.floats(0.0, 0.3))
@example(7, 15.0, 3.4375, 0.25)  # noise in the last samples once passed for a way down cut off
@settings(max_examples=25, deadline=None)
def test_any_number_of_repetitions_is_counted(
    count: int, reach: float, pause: float, noise: float
) -> None:
    found = repetitions(count, reach=reach, pause=pause, noise=noise, seed=count)
    assert len(find_repetitions(found, 50.0, LOAD_NM)) == count


@pytest.mark.parametrize("cut_seconds", [5.0, 5.6, 6.2, 7.2, 7.8])
def test_a_repetition_that_the_samples_cut_off_is_none(cut_seconds: float) -> None:
    whole = repetitions(2, reach=50.0)
    kept = 2.0 + 7.8 + cut_seconds - 1e-9  # the second one ends at 7.0 s, and rests until 7.8
    part = slice(0, round(kept * GRID_HZ))
    found = signals(whole.degrees[part], whole.torque[part])
    assert len(find_repetitions(found, 50.0, LOAD_NM)) == (1 if cut_seconds < 7.0 else 2)


@pytest.mark.parametrize("begin_seconds", [1.0, 2.4, 3.0, 3.4, 4.5, 7.0, 9.4, 10.2, 10.8, 11.2])
def test_a_repetition_that_the_samples_come_into_late_is_none(begin_seconds: float) -> None:
    whole = repetitions(2, reach=50.0)  # ways up begin at 2.0 and 9.8 s
    part = slice(round(begin_seconds * GRID_HZ), None)
    found = signals(whole.degrees[part], whole.torque[part])
    left = sum(begin_seconds < at for at in (2.0, 9.8))
    assert len(find_repetitions(found, 50.0, LOAD_NM)) == left


def test_fidgeting_and_led_movement_are_no_repetitions() -> None:
    assert find_repetitions(repetitions(5, reach=6.0), 50.0, LOAD_NM) == []
    led = repetitions(5)
    assert find_repetitions(replace(led, torque=0.05 * led.torque), 50.0, LOAD_NM) == []


def test_phases_of_a_known_movement() -> None:
    summary = summed(repetitions(4))
    assert summary.count == 4
    for one in summary.repetitions[:-1]:
        measures = one.measures
        assert measures.range_degrees.value == pytest.approx(50.0, abs=0.3)
        assert measures.concentric is not None
        assert measures.eccentric is not None
        # begins and ends where speed is 4 % of its peak: 90 % of a minimum-jerk course
        assert measures.concentric.seconds == pytest.approx(1.8, abs=0.15)
        assert measures.eccentric.seconds == pytest.approx(3.5, abs=0.3)
        assert measures.turn_seconds == pytest.approx(1.35, abs=0.3)
        assert measures.concentric.early_share == pytest.approx(0.39, abs=0.02)
        assert measures.concentric.work.value == pytest.approx(LOAD_NM * np.radians(49.5), rel=0.01)
        assert one.findings == ()


def test_work_is_torque_times_angle_whatever_the_tempo() -> None:
    slow, fast = summed(repetitions(3)), summed(repetitions(3, pause=0.0))
    assert slow.work.value == pytest.approx(fast.work.value, rel=2e-3)


def test_missing_samples_cost_that_repetition_its_figures_and_not_its_count() -> None:
    found = repetitions(4)
    torque = found.torque.copy()
    torque[round(11.0 * GRID_HZ) : round(11.5 * GRID_HZ)] = np.nan
    summary = summed(replace(found, torque=torque, _smooth={}))
    assert summary.count == 4
    assert [one.measures.whole for one in summary.repetitions] == [True, False, True, True]
    assert [one.code for one in summary.statements] == ["samples-missing"]
    short = found.torque.copy()
    short[900:906] = np.nan
    summary = summed(replace(found, torque=short, _smooth={}))
    assert all(one.measures.whole for one in summary.repetitions)
    assert [one.code for one in summary.statements] == ["samples-bridged"]
    assert summary.work.value == pytest.approx(summed(found).work.value, rel=1e-3)


def test_a_long_rest_begins_another_set() -> None:
    one, pause = repetitions(3), hold(50.0, 25.0)
    degrees = np.concatenate([one.degrees, pause, one.degrees])
    torque = np.concatenate([one.torque, np.zeros(len(pause)), one.torque])
    found = signals(degrees, torque)
    sets = into_sets(found, find_repetitions(found, 50.0, LOAD_NM))
    assert [len(each) for each in sets] == [3, 3]


def test_turning_points_alternate_and_ignore_what_is_small() -> None:
    angle = np.concatenate(
        [course(0.0, 30.0, 1.0), course(30.0, 27.0, 1.0), course(27.0, 60.0, 1.0)]
    )
    assert len(turning_points(angle, 10.0)) == 2
    assert len(turning_points(angle, 2.0)) == 4
    assert turning_points(np.zeros(400), 5.0) == []


MANNERS_AND_COUNTS = [
    ("steady", 8),
    ("partial", 8),
    ("pausing", 8),
    ("stops", 3),
    ("controlled", 8),
    ("rushed", 8),
]


@pytest.mark.parametrize("machine", ["heron", "wren"])
@pytest.mark.parametrize(("manner", "count"), MANNERS_AND_COUNTS)
def test_simulated_sets_are_counted(machine: str, manner: str, count: int) -> None:
    visit = take_visit(machine, manner, "sets", 21)
    facts = SessionFacts(
        stack_kg=visit.world.machine.stack_kg, client_range=visit.world.client.truth.range_degrees
    )
    found = analyse_session(visit.signals(), visit.profile, facts)
    assert [one.count for one in found.sets] == [count]


def test_barely_partial_and_paused_repetitions_count() -> None:
    odd = Manner(
        "odd", partial_every=2, partial_fraction=0.35, mid_pause_seconds=3.0, pause_seconds=4.0
    )
    visit = take_visit("heron", odd, "sets", 22)
    facts = SessionFacts(stack_kg=55.0, client_range=visit.world.client.truth.range_degrees)
    (done,) = analyse_session(visit.signals(), visit.profile, facts).sets
    assert done.count == 8
    short = [Fault.SHORT in one.faults for one in done.repetitions]
    assert short == [False, True] * 4
    assert all(Fault.UNEVEN in one.faults for one in done.repetitions)  # stops half-way


def test_rules_stop_a_set_and_say_why() -> None:
    clean = summed(repetitions(6))
    assert stop_advice(clean.repetitions, StopRules()) is None
    by_count = stop_advice(clean.repetitions, StopRules(repetitions=4))
    assert by_count is not None
    assert by_count.after_repetition == 4
    short = summed(repetitions(6, reach=30.0))
    by_form = stop_advice(short.repetitions, StopRules())
    assert by_form is not None
    assert (by_form.after_repetition, by_form.reason) == (2, "2 faulty ones in a row")
    timed = stop_advice(clean.repetitions, StopRules(seconds_under_load=20.0))
    assert timed is not None
    assert timed.after_repetition == 4
    off = StopRules(None, None, None, None, stop_on_slip=False)
    assert stop_advice(short.repetitions, off) is None


def test_slowing_down_shows_as_a_change_with_uncertainty() -> None:
    parts = [hold(50.0, 2.0)]
    for number in range(8):
        parts += [course(50.0, 0.0, 2.0 + 0.2 * number), course(0.0, 50.0, 4.0), hold(50.0, 0.8)]
    degrees = np.concatenate([*parts, hold(50.0, 2.0)])
    summary = summed(signals(degrees, LOAD_NM * (degrees < 49.5)))
    assert summary.speed_change is not None
    assert summary.range_change is not None
    # 2.0 to 3.4 s: speed falls by 41 %
    assert summary.speed_change.value == pytest.approx(-41.0, abs=4.0)
    assert abs(summary.range_change.value) < 1.0
    assert summary.stop is not None
    assert "speed" in summary.stop.reason


def test_the_next_load_follows_the_practices_rule_and_nothing_else() -> None:
    done, plates = summed(repetitions(8)), HERON.stack.plates_kg
    assert next_load(None, done, 55.0, plates) is None
    more = next_load(LoadRule(repetitions=8), done, 55.0, plates)
    assert more is not None
    assert more.mass_kg == 60.0
    assert "8 repetitions" in more.reason
    same = next_load(LoadRule(repetitions=12), done, 55.0, plates)
    assert same is not None
    assert same.mass_kg == 55.0
    less = next_load(LoadRule(repetitions=12, fewest=10), done, 5.0, plates)
    assert less is not None
    assert less.mass_kg == 5.0  # the lightest plate there is
    faulty = summed(repetitions(8, reach=30.0))
    held = next_load(LoadRule(repetitions=8), faulty, 55.0, plates)
    assert held is not None
    assert held.mass_kg == 55.0


def test_clean_clients_of_the_simulator_have_no_faults() -> None:
    visit = take_visit("wren", MANNERS["controlled"], "sets", 23)
    ends = visit.world.client.truth.range_degrees
    facts = SessionFacts(
        stack_kg=visit.world.machine.stack_kg,
        client_range=(ends[0], ends[1] - 3.0),
        prescription=Prescription(2.2, 4.0, keeps_tension=True),
    )
    (done,) = analyse_session(visit.signals(), visit.profile, facts).sets
    assert done.fault_counts == {}
