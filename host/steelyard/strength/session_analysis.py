"""A whole session in the order an operator works: restraint, balance, strength, sets, response.

It finds by itself what was done when.  What cannot be measured is left out, and
a statement says why.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np

from steelyard.errors import AnalysisError
from steelyard.strength.balance import BalanceFit, fit_sweeps
from steelyard.strength.before_after import StationResponse, fatigue_response
from steelyard.strength.counterweight import BodyWeight, CrankAdvice, body_weight, crank_advice
from steelyard.strength.crank_course import sweeps_to_fit
from steelyard.strength.isometric import IsometricTest, isometric_test
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.movement import Sweep, slow_sweeps
from steelyard.strength.repetitions import find_repetitions
from steelyard.strength.restraint import RestraintCheck, check_restraint
from steelyard.strength.segment_check import check_segment
from steelyard.strength.session_facts import SessionFacts
from steelyard.strength.session_sets import Crank, load_nm, sets_of_session
from steelyard.strength.set_summary import SetSummary
from steelyard.strength.signals import Signals
from steelyard.strength.stated_settings import crank_is_there
from steelyard.strength.torque_curve import TorqueCurve, torque_curve

__all__ = ["SessionAnalysis", "SessionFacts", "analyse_session", "passive_sweeps"]

Found = TypeVar("Found")

AROUND_SWEEP_SECONDS: Final = 2.0


@dataclass(frozen=True)
class SessionAnalysis:
    """Everything found; None or empty where it was not there or could not be measured.

    ``tests``: isometric tests, the first before the first set, then one after
    each set that was followed by efforts.  ``responses``: the first against the
    last that has an effort that counts.
    """

    restraint: RestraintCheck | None
    client_range: tuple[float, float] | None
    balance: BalanceFit | None
    advice: CrankAdvice | None
    weight: BodyWeight | None
    tests: tuple[IsometricTest, ...]
    curves: tuple[TorqueCurve | None, ...]
    sets: tuple[SetSummary, ...]
    responses: tuple[StationResponse, ...]
    statements: tuple[Statement, ...]


def analyse_session(
    signals: Signals, profile: MachineProfile, facts: SessionFacts | None = None
) -> SessionAnalysis:
    """Analyse a session; never raises for what a client did or a sensor missed."""
    facts = facts or SessionFacts()
    said: list[Statement] = list(signals.statements)
    if any(one.code == "angle-dead" for one in said):
        return SessionAnalysis(None, None, None, None, None, (), (), (), (), tuple(said))
    sweeps = passive_sweeps(signals, profile, facts)
    fitted = sweeps_to_fit(sweeps, facts.crank_course)
    turns = _turns(facts.turns_at(_end_of(fitted)), profile, said)
    balance = _attempt(lambda: fit_sweeps(signals, fitted), said, "no-balance")
    client_range = facts.client_range or _range_of(signals, sweeps)
    restraint = _restraint(signals, profile, sweeps)
    said += [] if restraint is None else list(restraint.statements)
    advice = weight = None
    if balance is not None:
        said += _relaxed(balance, profile)
        advice = crank_advice(balance, profile, turns)
        said += list(advice.statements)
        if turns is not None:
            weight = body_weight(balance, profile, turns)
            said += _plausible(weight, profile, facts)
    crank = Crank(facts, turns, _end_of(fitted))
    sets = sets_of_session(
        signals, profile, facts, client_range, balance, _end_of(sweeps), said, crank
    )
    tests = _tests(signals, profile, facts, balance, sets)
    for test in tests:
        said += list(test.statements)
    responses: tuple[StationResponse, ...] = ()
    if len(tests) > 1:
        before, after = tests[0], _last_counting(tests)
        answer = _attempt(lambda: fatigue_response(before, after), said, "no-response")
        responses = answer or ()
    return SessionAnalysis(
        restraint,
        client_range,
        balance,
        advice,
        weight,
        tests,
        tuple(torque_curve(test) for test in tests),
        tuple(summary for summary, _, _ in sets),
        responses,
        tuple(dict.fromkeys(said)),
    )


def _turns(stated: float | None, profile: MachineProfile, said: list[Statement]) -> float | None:
    """Where the crank stood; None where that is not known or cannot be."""
    wrong = None if stated is None else crank_is_there(profile, stated)
    if wrong is None:
        return stated
    said.append(wrong)
    return None


def _last_counting(tests: Sequence[IsometricTest]) -> IsometricTest:
    """The last test with an effort that counts: a recording may end in the middle of another."""
    counting = [one for one in tests[1:] if any(station.best for station in one.stations)]
    return counting[-1] if counting else tests[-1]


def passive_sweeps(signals: Signals, profile: MachineProfile, facts: SessionFacts) -> list[Sweep]:
    """Slow sweeps before strength came in."""
    first_effort = _first_effort(signals, profile, facts)
    return [one for one in slow_sweeps(signals) if one.end_seconds <= first_effort]


def _attempt(work: Callable[[], Found], said: list[Statement], code: str) -> Found | None:
    """What ``work`` gives, or None and a statement in its place."""
    try:
        return work()
    except AnalysisError as error:
        said.append(Statement(code, str(error), spoils=True))
        return None


def _first_effort(signals: Signals, profile: MachineProfile, facts: SessionFacts) -> float:
    """When strength came in: passive sweeps are looked for before it only."""
    test = isometric_test(signals, profile, facts.effort_limits)
    loaded = find_repetitions(signals, profile.travel_degrees[1], load_nm(profile, facts))
    times = [effort.span.onset_seconds for effort in test.efforts[:1]]
    times += [float(signals.seconds[one.start]) for one in loaded[:1]]
    return min(times, default=float(signals.seconds[-1]))


def _range_of(signals: Signals, sweeps: Sequence[Sweep]) -> tuple[float, float] | None:
    if not sweeps:
        return None
    part = signals.between(
        sweeps[0].start_seconds - AROUND_SWEEP_SECONDS,
        sweeps[-1].end_seconds + AROUND_SWEEP_SECONDS,
    )
    angle = signals.smooth_degrees[part]
    return float(np.nanmin(angle)), float(np.nanmax(angle))


def _restraint(
    signals: Signals, profile: MachineProfile, sweeps: Sequence[Sweep]
) -> RestraintCheck | None:
    if not sweeps:
        return None
    return check_restraint(signals, profile, sweeps[0].start_seconds, sweeps[-1].end_seconds)


def _relaxed(balance: BalanceFit, profile: MachineProfile) -> list[Statement]:
    if balance.scatter_nm <= profile.relaxed_scatter_nm:
        return list(balance.statements)
    text = (
        f"The client was not relaxed: torque scattered by {balance.scatter_nm:.1f} N·m about the "
        f"fit, {profile.relaxed_scatter_nm:g} N·m is usual. Repeat the sweep before cranking."
    )
    return [*balance.statements, Statement("not-relaxed", text, spoils=True)]


def _plausible(weight: BodyWeight, profile: MachineProfile, facts: SessionFacts) -> list[Statement]:
    if facts.body_mass_kg is None or facts.stature_metres is None:
        return []
    found = check_segment(profile.joint, weight.client, facts.body_mass_kg, facts.stature_metres)
    return [] if found is None else [found]


def _end_of(sweeps: Sequence[Sweep]) -> float:
    return sweeps[-1].end_seconds if sweeps else -np.inf


def _tests(
    signals: Signals,
    profile: MachineProfile,
    facts: SessionFacts,
    balance: BalanceFit | None,
    sets: Sequence[tuple[SetSummary, float, float]],
) -> tuple[IsometricTest, ...]:
    """The test before the first set, and one after each set that efforts followed."""
    scatter = balance.scatter_nm if balance is not None else 0.0
    edges = [-np.inf, *(start for _, start, _ in sets), np.inf]
    tests = [
        isometric_test(
            signals,
            profile,
            facts.effort_limits,
            relaxed_scatter_nm=scatter,
            start=start,
            end=end,
        )
        for start, end in itertools.pairwise(edges)
    ]
    return (tests[0], *(test for test in tests[1:] if test.stations))
