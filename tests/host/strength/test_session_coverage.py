"""Simulated sessions with known truth: what is stated must hold as often as it says.

Different clients, machines, manners and crank settings; profile and
calibration are drawn about the truth by their own stated uncertainties.
``STEELYARD_SESSIONS=200`` for the long run.
"""

from __future__ import annotations

import os
import random
from collections import Counter, defaultdict

import numpy as np
import pytest
from host.strength.visit import RATE_HZ, Visit, facts_of_visit, take_visit
from steelyard.simulator.client_model import MANNERS
from steelyard.simulator.tasks import Kind
from steelyard.strength.gravity_moment import GravityMoment
from steelyard.strength.repetition_measures import RepetitionMeasures
from steelyard.strength.session_analysis import SessionAnalysis, analyse_session

SESSIONS = int(os.environ.get("STEELYARD_SESSIONS", "8"))
MANNER_NAMES = (
    "partial", "pausing", "steady", "rushed", "stops", "dropping", "controlled", "uneven",
    "short", "slipping", "throwing", "fickle",
)  # fmt: skip
"""Those that are hardest to count come first: a short run has them all the same."""


class Tally:
    """How often intervals held the truth, by name."""

    def __init__(self) -> None:
        self.inside: Counter[str] = Counter()
        self.total: Counter[str] = Counter()
        self.off: dict[str, list[float]] = defaultdict(list)

    def add(self, name: str, found: object, truth: float) -> None:
        value, u = found.value, found.standard_uncertainty  # type: ignore[attr-defined]
        self.total[name] += 1
        self.inside[name] += abs(value - truth) <= 2.0 * u
        self.off[name].append((value - truth) / u)

    def lines(self) -> list[str]:
        return [
            f"{name:24} {self.inside[name]:5} of {total:5}"
            f" = {100 * self.inside[name] / total:5.1f} %"
            f"   mean {np.mean(self.off[name]):+.2f} u, spread {np.std(self.off[name]):.2f} u"
            for name, total in self.total.items()
        ]


def taken(number: int) -> tuple[Visit, SessionAnalysis]:
    source = random.Random(f"coverage/{number}")
    machine = ("heron", "wren")[number % 2]
    visit = take_visit(
        machine,
        MANNER_NAMES[number % len(MANNER_NAMES)],
        "session",
        1000 + number,
        turns_off=round(source.uniform(-4.0, 4.0)),
    )
    return visit, analyse_session(visit.signals(), visit.profile, facts_of_visit(visit))


def tally_balance(tally: Tally, visit: Visit, found: SessionAnalysis) -> None:
    fit, weight, world = found.balance, found.weight, visit.world
    assert fit is not None
    assert weight is not None
    for name, share in (("extended", 0.0), ("middle", 0.5), ("flexed", 1.0)):
        angle = fit.low_degrees + share * (fit.high_degrees - fit.low_degrees)
        tally.add(f"residual, {name}", fit.residual(angle), world._gravity(angle))
    client = world.client.truth
    arm = GravityMoment.from_top(
        world.machine.truth.arm_moment_nm, world.machine.truth.arm_top_degrees
    )
    both = arm + GravityMoment.from_top(client.gravity_nm, client.top_degrees)
    tally.add("weight, client and arm", weight.with_arm, both.amplitude_nm)
    tally.add("weight, client", weight.client, client.gravity_nm)
    assert weight.with_arm_top_degrees is not None
    assert weight.client_top_degrees is not None
    tally.add("top, client and arm", weight.with_arm_top_degrees, both.top_degrees)
    tally.add("top, client", weight.client_top_degrees, client.top_degrees)


def tally_efforts(tally: Tally, visit: Visit, found: SessionAnalysis) -> None:
    truth = visit.truth
    for effort in found.tests[0].efforts:
        if effort.peak is None or effort.plateau is None:
            continue
        begun = [
            one
            for one in visit.segments(Kind.EFFORT)
            if abs(one.start_seconds - effort.span.onset_seconds) < 2.0
        ]
        part = truth.between(begun[0].start_seconds, begun[0].start_seconds + 6.0)
        muscle = truth.muscle_nm[part]
        for name, seconds, figure in (
            ("effort, peak", 0.5, effort.peak),
            ("effort, plateau", 3.0, effort.plateau),
        ):
            width = round(seconds * RATE_HZ)
            means = np.convolve(muscle, np.full(width, 1.0 / width), "valid")
            tally.add(name, figure, float(means.max()))
        tally.add("effort, angle", effort.degrees, float(np.median(truth.arm_degrees[part])))


def tally_repetitions(tally: Tally, visit: Visit, found: SessionAnalysis) -> None:
    for summary in found.sets:
        for one in summary.repetitions:
            tally_one(tally, visit, one.measures)


def tally_one(tally: Tally, visit: Visit, one: RepetitionMeasures) -> None:
    truth, up = visit.truth, one.concentric
    assert up is not None
    part = truth.between(one.start_seconds, one.start_seconds + up.seconds)
    angle = np.radians(truth.arm_degrees[part])
    tally.add("work on the stack", up.work, -float(np.trapezoid(truth.link_nm[part], angle)))
    if up.muscle_work is not None:
        by_muscle = -float(np.trapezoid(truth.muscle_nm[part], angle))
        tally.add("work of muscles", up.muscle_work, by_muscle)
    tally.add("mean torque", up.mean_torque, _mean_by_angle(truth.link_nm[part], angle))
    whole = truth.arm_degrees[truth.between(one.start_seconds - 0.5, one.end_seconds + 0.5)]
    start, end = whole[: len(whole) // 2].max(), whole[len(whole) // 2 :].max()
    tally.add("range", one.range_degrees, 0.5 * float(start + end) - float(whole.min()))


def _mean_by_angle(torque: np.ndarray, angle: np.ndarray) -> float:  # type: ignore[type-arg]
    return float(np.trapezoid(torque, angle) / (angle[-1] - angle[0]))


def repetitions_done(visit: Visit) -> int:
    """Those of the script whose way back was finished before the end."""
    last = visit.truth.seconds[-1]
    return sum(
        one.segment.label.endswith("eccentric") and one.start_seconds + one.segment.seconds < last
        for one in visit.segments(Kind.FREE, "repetition")
    )


@pytest.mark.slow
def test_stated_intervals_hold_the_truth_and_counts_are_exact() -> None:
    tally, wrong_counts = Tally(), []
    for number in range(SESSIONS):
        visit, found = taken(number)
        tally_balance(tally, visit, found)
        tally_efforts(tally, visit, found)
        tally_repetitions(tally, visit, found)
        counted = sum(summary.count for summary in found.sets)
        if counted != repetitions_done(visit):
            wrong_counts.append((number, counted, repetitions_done(visit)))
    print("\n".join(["", *tally.lines(), f"sets counted wrong: {wrong_counts} of {SESSIONS}"]))
    assert len(wrong_counts) <= 0.01 * SESSIONS
    assert set(MANNER_NAMES) <= set(MANNERS)
    for name, total in tally.total.items():
        # 95 % promised of independent values; those of one session share calibration and
        # profile, so a short run may fall further: three standard errors of its sessions.
        allowance = 3.0 * np.sqrt(0.95 * 0.05 / SESSIONS)
        assert tally.inside[name] / total >= 0.95 - allowance, (name, tally.lines())
