"""Balance: exact where the data are exact, honest where not, and done in three cranks."""

from __future__ import annotations

import math
import os
import random
from dataclasses import replace

import numpy as np
import pytest
from host.strength.synthetic import hold, line, signals
from host.strength.visit import drawn_profile, take_visit
from hypothesis import given, settings
from hypothesis import strategies as st
from steelyard.errors import AnalysisError
from steelyard.strength.balance import BalanceFit, fit_holds, fit_sweeps
from steelyard.strength.counterweight import body_weight, crank_advice
from steelyard.strength.crank_moment import CrankReading, KnownWeight, crank_moment
from steelyard.strength.gravity_moment import GravityMoment
from steelyard.strength.machine_profile import Joint
from steelyard.strength.measured import Measured
from steelyard.strength.movement import Spell, slow_sweeps
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.segment_check import check_segment, expected_moment_nm
from steelyard.strength.signals import GRID_HZ, Signals

HERON = ready_profile("heron")


def swept(moment: GravityMoment, friction_nm: float, *, there_only: bool = False) -> Signals:
    ways = [hold(50.0, 2.0), line(50.0, 0.0, 10.0), hold(0.0, 2.0)]
    signs = [np.zeros(160), -np.ones(800), np.zeros(160)]
    if not there_only:
        ways += [line(0.0, 50.0, 10.0), hold(50.0, 2.0)]
        signs += [np.ones(800), np.zeros(160)]
    degrees = np.concatenate(ways)
    return signals(degrees, moment.torque(degrees) + friction_nm * np.concatenate(signs))


@given(st.floats(1.0, 200.0), st.floats(-40.0, 40.0), st.floats(0.0, 5.0))
@settings(max_examples=30, deadline=None)
def test_exact_data_give_exact_moment_and_friction(
    amplitude: float, top: float, friction: float
) -> None:
    found = swept(GravityMoment.from_top(amplitude, top), friction)
    fit = fit_sweeps(found, slow_sweeps(found))
    assert fit.moment.amplitude_nm == pytest.approx(amplitude, rel=1e-3, abs=1e-3)
    assert fit.moment.top_degrees == pytest.approx(top, abs=0.1)
    assert fit.friction is not None
    assert fit.friction.value == pytest.approx(friction, abs=0.01)
    assert fit.scatter_nm < 0.05


def test_one_way_only_is_refused_because_friction_would_pass_for_weight() -> None:
    found = swept(GravityMoment.from_top(50.0, 2.0), 2.0, there_only=True)
    with pytest.raises(AnalysisError, match="friction"):
        fit_sweeps(found, slow_sweeps(found))


def test_an_added_constant_stays_within_what_the_zero_is_said_to_be_worth() -> None:
    true = GravityMoment.from_top(50.0, 2.0)
    found = swept(true, 1.0)
    shifted = replace(found, torque=found.torque + 0.1, _smooth={})  # one standard uncertainty
    fit = fit_sweeps(shifted, slow_sweeps(shifted))
    for angle in (0.0, 25.0, 50.0):
        assert fit.residual(angle).holds(float(true.torque(angle)[0]))


def test_holds_alone_carry_friction_in_their_uncertainty() -> None:
    true = GravityMoment.from_top(60.0, 4.0)
    places = (0.0, 15.0, 30.0, 50.0)
    degrees = np.concatenate([hold(place, 4.0) for place in places])
    torque = true.torque(degrees) + np.repeat([1.2, -1.2, 1.2, -1.2], 320)
    found = signals(degrees, torque)
    spells = [Spell(4.0 * n, 4.0 * n + 3.9, place) for n, place in enumerate(places)]
    fit = fit_holds(found, spells, HERON.friction)
    assert fit.friction is None
    assert fit.statements[0].code == "friction-assumed"
    for angle in places:
        assert fit.residual(angle).holds(float(true.torque(angle)[0]))
    with pytest.raises(AnalysisError, match="holds"):
        fit_holds(found, spells[:2], HERON.friction)


def test_breathing_widens_the_uncertainty_as_its_own_slowness_says() -> None:
    found = swept(GravityMoment.from_top(50.0, 2.0), 1.0)
    source = np.random.default_rng(3)
    white = source.normal(0.0, 0.5, len(found))
    slow = 0.7 * np.sin(2.0 * math.pi * 0.25 * found.seconds)
    widths = []
    for disturbance in (white, slow):
        noisy = replace(found, torque=found.torque + disturbance, _smooth={})
        fit = fit_sweeps(noisy, slow_sweeps(noisy))
        assert fit.friction is not None
        widths.append(fit.friction.standard_uncertainty)
    assert widths[1] > 4.0 * widths[0]  # as large a scatter, far fewer independent samples


def test_what_is_too_little_has_no_top_dead_centre() -> None:
    fit = BalanceFit(GravityMoment(0.02, 0.01), ((0.01, 0.0), (0.0, 0.01)), None, 0.1, 0.0, 50.0)
    assert fit.top_degrees is None


STARTS = max(2, int(os.environ.get("STEELYARD_SESSIONS", "14")) // 5)


@pytest.mark.parametrize("machine", ["heron", "wren"])
@pytest.mark.parametrize("number", range(STARTS))
def test_three_cranks_at_most(machine: str, number: int) -> None:
    """The advice is followed on the true machine, whose crank is not quite the profile's."""
    profile = drawn_profile(machine, number)
    turns, cranks = random.Random(number).choice([-1.0, 1.0]) * (4.0 + 2.0 * (number % 7)), 0
    while True:
        visit = take_visit(
            machine, "steady", "balancing", 31 + number, seconds=75.0, turns_off=turns
        )
        found = visit.signals()
        fit = fit_sweeps(found, slow_sweeps(found))
        advice = crank_advice(fit, profile, visit.world.machine.counterweight_turns)
        assert advice.text()
        if advice.done:
            break
        assert advice.turns % profile.counterweight.turn_step == 0.0
        turns, cranks = turns + advice.turns, cranks + 1
        assert cranks <= 3
    world = visit.world
    angles = np.linspace(fit.low_degrees, fit.high_degrees, 50)
    left = max(abs(world._gravity(float(angle))) for angle in angles)
    # Three standard uncertainties: how often two hold is counted over many sessions elsewhere.
    assert left <= abs(advice.left.value) + 3.0 * advice.left.standard_uncertainty
    # within the bound, or nothing the crank could still do
    best = min(
        max(abs(world._gravity(a) + t * visit.world.machine.truth.counterweight_nm_per_turn
                * math.sin(math.radians(a - 2.5))) for a in angles)
        for t in np.arange(-3.0, 3.01, 0.25)
    )  # fmt: skip
    assert left <= max(profile.balance_bound_nm, best + 0.5 * profile.balance_bound_nm)


def test_advice_says_which_way_and_stops_at_the_end_of_the_crank() -> None:
    fit = BalanceFit(
        GravityMoment.from_top(40.0, 2.3), ((0.01, 0.0), (0.0, 0.01)), None, 0.1, 0.0, 50.0
    )
    advice = crank_advice(fit, HERON)
    assert advice.turns == pytest.approx(10.0, abs=0.25)
    assert "add" in advice.text()
    assert "Lock the arm" in advice.text()
    ended = crank_advice(fit, HERON, turns_now=55.0)
    assert ended.turns == 5.0
    assert [one.code for one in ended.statements] == ["crank-at-its-end", "balance-left"]
    less = crank_advice(replace(fit, moment=GravityMoment.from_top(-40.0, 2.3)), HERON)
    assert "take off" in less.text()


def test_the_clients_weight_comes_out_of_the_residual() -> None:
    client, turns = GravityMoment.from_top(110.0, 3.0), 32.0
    residual = client + HERON.arm_weight + HERON.counterweight.moment(turns)
    fit = BalanceFit(residual, ((0.04, 0.0), (0.0, 0.04)), None, 0.1, 0.0, 50.0)
    found = body_weight(fit, HERON, turns)
    assert found.client.value == pytest.approx(110.0, rel=1e-9)
    assert found.client_top_degrees is not None
    assert found.client_top_degrees.value == pytest.approx(3.0, abs=1e-9)
    # crank (32 turns of 0.03 N·m) and arm (0.4 N·m) are in it
    assert found.client.standard_uncertainty > math.hypot(0.96, 0.4)


def test_the_crank_is_measured_with_a_known_weight() -> None:
    source = random.Random(8)
    true = GravityMoment.from_top(4.0, 2.0)
    scale = 0.95  # the cell reads 5 % too little
    readings = [
        CrankReading(
            turns,
            angle,
            scale * float((-turns * true.torque(angle))[0]) + 7.0 + source.gauss(0.0, 0.02),
        )
        for angle in (10.0, 35.0, 55.0)
        for turns in (0.0, 10.0, 20.0)
    ]
    known = KnownWeight(Measured(49.0, 0.05, "N·m"), 49.0 * scale)
    per_turn, top = crank_moment(readings, known)
    assert per_turn.value == pytest.approx(4.0, abs=3.0 * per_turn.standard_uncertainty)
    assert top.value == pytest.approx(2.0, abs=3.0 * top.standard_uncertainty)
    assert crank_moment(readings)[0].value == pytest.approx(4.0 * scale, rel=0.01)
    with pytest.raises(AnalysisError, match="two angles"):
        crank_moment(readings[:3])


def test_a_weight_no_trunk_has_is_warned_of_and_not_refused() -> None:
    low, high = expected_moment_nm(Joint.LUMBAR, 75.0, 1.75)
    assert low < 110.0 < high
    assert check_segment(Joint.LUMBAR, Measured(110.0, 1.0, "N·m"), 75.0, 1.75) is None
    said = check_segment(Joint.LUMBAR, Measured(20.0, 1.0, "N·m"), 75.0, 1.75)
    assert said is not None
    assert not said.spoils
    assert "Winter" in said.text
    assert check_segment(Joint.CERVICAL, Measured(9.0, 0.2, "N·m"), 75.0, 1.75) is None


def test_sweeps_are_found_with_direction_and_without_their_ends() -> None:
    found = swept(GravityMoment.from_top(50.0, 2.0), 1.0)
    first, second = slow_sweeps(found)
    assert (first.direction, second.direction) == (1, -1)
    assert first.start_seconds >= 2.0 + 0.4
    assert first.end_seconds <= 12.0 - 0.4
    fast = signals(np.concatenate([hold(50.0, 2.0), line(50.0, 0.0, 2.0), hold(0.0, 2.0)]))
    assert slow_sweeps(fast) == []
    assert GRID_HZ == 80.0
