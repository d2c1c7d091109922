"""A whole session in the order an operator works: restraint, balance, strength, sets, response.

It finds by itself what was done when.  What cannot be measured is left out, and
a statement says why.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeVar

import numpy as np

from steelyard.errors import AnalysisError
from steelyard.strength.balance import BalanceFit, fit_sweeps
from steelyard.strength.before_after import StationResponse, fatigue_response
from steelyard.strength.counterweight import BodyWeight, CrankAdvice, body_weight, crank_advice
from steelyard.strength.crank_course import CrankSetting, cranked, sweeps_to_fit, turns_at
from steelyard.strength.effort import EffortLimits
from steelyard.strength.form_faults import Prescription
from steelyard.strength.isometric import IsometricTest, isometric_test
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.movement import Sweep, slow_sweeps
from steelyard.strength.repetitions import Repetition, find_repetitions, into_sets
from steelyard.strength.restraint import RestraintCheck, check_restraint
from steelyard.strength.segment_check import check_segment
from steelyard.strength.set_summary import SetSummary, StopRules, summarise_set
from steelyard.strength.signals import Signals
from steelyard.strength.torque_curve import TorqueCurve, torque_curve

Found = TypeVar("Found")

AROUND_SWEEP_SECONDS: Final = 2.0


@dataclass(frozen=True)
class SessionFacts:
    """What the signals do not show: settings of the machine, the client's size, what was asked.

    ``crank_turns`` is where the crank stood; ``stack_kg`` the plates chosen;
    ``client_range`` the extended and the flexed end in degrees, taken from the
    sweep where it is None.  ``crank_course`` where the crank stood when, for a
    session in which it was turned; it goes before ``crank_turns``.
    """

    crank_turns: float | None = None
    stack_kg: float | None = None
    body_mass_kg: float | None = None
    stature_metres: float | None = None
    client_range: tuple[float, float] | None = None
    prescription: Prescription = field(default_factory=Prescription)
    stop_rules: StopRules = field(default_factory=StopRules)
    effort_limits: EffortLimits = field(default_factory=EffortLimits)
    crank_course: tuple[CrankSetting, ...] = ()

    def turns_at(self, seconds: float) -> float | None:
        """Where the crank stood at a moment; None where that is not known."""
        return turns_at(self.crank_course, seconds) if self.crank_course else self.crank_turns


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
    turns = facts.turns_at(_end_of(fitted))
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
    crank = _Crank(facts, turns)
    sets = _sets(signals, profile, facts, client_range, balance, _end_of(sweeps), said, crank)
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


def _last_counting(tests: Sequence[IsometricTest]) -> IsometricTest:
    """The last test with an effort that counts: a recording may end in the middle of another."""
    counting = [one for one in tests[1:] if any(station.best for station in one.stations)]
    return counting[-1] if counting else tests[-1]


def passive_sweeps(signals: Signals, profile: MachineProfile, facts: SessionFacts) -> list[Sweep]:
    """Slow sweeps before strength came in."""
    first_effort = _first_effort(signals, profile, facts)
    return [one for one in slow_sweeps(signals) if one.end_seconds <= first_effort]


@dataclass(frozen=True)
class _Crank:
    """Where the crank stood at the balance, to say what it did to the balance of a later set."""

    facts: SessionFacts
    turns: float | None

    def balance_at(
        self,
        balance: BalanceFit | None,
        seconds: float,
        profile: MachineProfile,
        said: list[Statement],
    ) -> BalanceFit | None:
        now = self.facts.turns_at(seconds)
        if balance is None or now is None or self.turns is None or now == self.turns:
            return balance
        text = (
            f"The crank was turned by {now - self.turns:+g} turns after the balance: for the set "
            f"at {seconds:.0f} s the balance is worked out from that, not measured."
        )
        said.append(Statement("crank-turned", text, seconds))
        return cranked(balance, now - self.turns, profile.counterweight)


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
    loaded = find_repetitions(signals, profile.travel_degrees[1], _load_nm(profile, facts))
    times = [effort.span.onset_seconds for effort in test.efforts[:1]]
    times += [float(signals.seconds[one.start]) for one in loaded[:1]]
    return min(times, default=float(signals.seconds[-1]))


def _load_nm(profile: MachineProfile, facts: SessionFacts) -> float:
    """Torque of the plates chosen, or else of the lightest."""
    return profile.stack.torque(facts.stack_kg or profile.stack.plates_kg[0])


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


def _sets(
    signals: Signals,
    profile: MachineProfile,
    facts: SessionFacts,
    client_range: tuple[float, float] | None,
    balance: BalanceFit | None,
    after: float,
    said: list[Statement],
    crank: _Crank,
) -> list[tuple[SetSummary, float, float]]:
    """Each set with the times of its first start and its last end."""
    low, high = client_range or profile.travel_degrees
    found = find_repetitions(signals, high - low, _load_nm(profile, facts), after)
    if not found:
        text = "No repetition under load is in this recording: no work, tempo or form is given."
        said.append(Statement("no-repetition", text))
        return []
    reach = high - low
    if client_range is None:
        reach = max(
            0.5 * (one.start_degrees + one.bottom_degrees) - one.top_degrees for one in found
        )
        text = f"No range of the client is known; the largest repetition, {reach:.0f}°, stands in."
        said.append(Statement("range-assumed", text))
    return [
        (
            summarise_set(
                signals,
                group,
                profile,
                facts.prescription,
                reach,
                crank.balance_at(balance, float(signals.seconds[group[0].start]), profile, said),
                facts.stop_rules,
            ),
            *_times(signals, group),
        )
        for group in into_sets(signals, found)
    ]


def _times(signals: Signals, group: Sequence[Repetition]) -> tuple[float, float]:
    return float(signals.seconds[group[0].start]), float(signals.seconds[group[-1].bottom])


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
