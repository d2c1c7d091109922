"""A set: count, totals, what fades across it, and the clinician's rules for stopping."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from steelyard.calibration.least_squares import solve
from steelyard.strength.balance import BalanceFit
from steelyard.strength.form_faults import Fault, Finding, Prescription, find_faults
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Measured, Statement
from steelyard.strength.repetition_measures import RepetitionMeasures, measure_repetition
from steelyard.strength.repetitions import Repetition
from steelyard.strength.signals import Signals

TREND_REPETITIONS: Final = 4


@dataclass(frozen=True)
class StopRules:
    """When to stop a set; None: not a rule here.  Set by the clinician, never by the program.

    ``losses`` in percent of the first two repetitions.
    """

    repetitions: int | None = None
    faulty_in_a_row: int | None = 2
    speed_loss_percent: float | None = 30.0
    range_loss_percent: float | None = 15.0
    stop_on_slip: bool = True
    seconds_under_load: float | None = None


@dataclass(frozen=True)
class SetRepetition:
    """One repetition of a set with its faults; ``number`` from 1."""

    number: int
    measures: RepetitionMeasures
    findings: tuple[Finding, ...]

    @property
    def faults(self) -> frozenset[Fault]:
        """Its faults without their numbers."""
        return frozenset(finding.fault for finding in self.findings)


@dataclass(frozen=True)
class StopAdvice:
    """After which repetition a rule says stop, and why."""

    after_repetition: int
    reason: str


@dataclass(frozen=True)
class SetSummary:
    """A whole set.  Totals are over repetitions without missing samples.

    ``speed_change`` and ``range_change``: percent from the first repetition
    to the last by a straight line; None with fewer than four.
    """

    repetitions: tuple[SetRepetition, ...]
    load_nm: float
    work: Measured
    seconds_under_load: float
    speed_change: Measured | None
    range_change: Measured | None
    stop: StopAdvice | None
    statements: tuple[Statement, ...]

    @property
    def count(self) -> int:
        """How many repetitions."""
        return len(self.repetitions)

    @property
    def fault_counts(self) -> Counter[Fault]:
        """How many repetitions had each fault."""
        return Counter(fault for one in self.repetitions for fault in one.faults)


def summarise_set(
    signals: Signals,
    found: Sequence[Repetition],
    profile: MachineProfile,
    prescribed: Prescription,
    client_range_degrees: float,
    balance: BalanceFit | None = None,
    rules: StopRules | None = None,
) -> SetSummary:
    """Measure a set, find its faults, and say when a rule would have stopped it."""
    load = _load_nm(signals, found)
    numbered = []
    for number, one in enumerate(found, start=1):
        measures = measure_repetition(signals, one, profile, balance, load)
        last = number == len(found)
        findings = find_faults(measures, prescribed, client_range_degrees, last=last)
        numbered.append(SetRepetition(number, measures, findings))
    whole = [one.measures for one in numbered if one.measures.whole]
    works = [one.concentric.work for one in whole if one.concentric]
    return SetSummary(
        tuple(numbered),
        load,
        # The calibration is the same in all of them: uncertainties add, they do not average.
        Measured(
            sum(work.value for work in works), sum(work.standard_uncertainty for work in works), "J"
        ),
        sum(one.seconds_under_load for one in whole),
        _change(whole, _mean_speed),
        _change(whole, lambda one: one.range_degrees.value),
        stop_advice(numbered, rules or StopRules()),
        tuple(_said(signals, numbered)),
    )


def stop_advice(repetitions: Sequence[SetRepetition], rules: StopRules) -> StopAdvice | None:
    """The first rule that is met, repetition by repetition; None when none is."""
    first = [one.measures for one in repetitions[:2] if one.measures.whole]
    in_a_row, under_load = 0, 0.0
    for one in repetitions:
        in_a_row = in_a_row + 1 if one.findings else 0
        under_load += one.measures.seconds_under_load
        slipped = Fault.SLIPPED in one.faults
        speed = _loss_percent(first, one.measures, _mean_speed)
        reach = _loss_percent(first, one.measures, lambda each: each.range_degrees.value)
        checks = (
            (slipped and rules.stop_on_slip, "the restraint slipped"),
            (_reached(in_a_row, rules.faulty_in_a_row), f"{in_a_row} faulty ones in a row"),
            (_reached(speed, rules.speed_loss_percent), f"speed fell by {speed:.0f} %"),
            (_reached(reach, rules.range_loss_percent), f"range fell by {reach:.0f} %"),
            (_reached(under_load, rules.seconds_under_load), f"{under_load:.0f} s under load"),
            (_reached(one.number, rules.repetitions), f"{one.number} repetitions done"),
        )
        for holds, reason in checks:
            if holds:
                return StopAdvice(one.number, reason)
    return None


def _reached(value: float, limit: float | None) -> bool:
    return limit is not None and value >= limit


def _loss_percent(
    first: Sequence[RepetitionMeasures],
    now: RepetitionMeasures,
    figure: Callable[[RepetitionMeasures], float],
) -> float:
    if not first or not now.whole:
        return 0.0
    before = float(np.mean([figure(one) for one in first]))
    return 100.0 * (1.0 - figure(now) / before) if before > 0.0 else 0.0


def _mean_speed(one: RepetitionMeasures) -> float:
    """Of the way up, in degrees/s: what gives way first in a set."""
    up = one.concentric
    return one.range_degrees.value / up.seconds if up is not None and up.seconds > 0.0 else 0.0


def _change(
    whole: Sequence[RepetitionMeasures], figure: Callable[[RepetitionMeasures], float]
) -> Measured | None:
    if len(whole) < TREND_REPETITIONS:
        return None
    number = np.arange(len(whole), dtype=np.float64)
    fit = solve(
        np.column_stack([np.ones(len(whole)), number]), np.array([figure(one) for one in whole])
    )
    start, slope = fit.estimates
    if start <= 0.0:
        return None
    steps = 100.0 * (len(whole) - 1) / start
    return Measured(float(slope * steps), float(np.sqrt(fit.covariance[1, 1]) * abs(steps)), "%")


def _load_nm(signals: Signals, found: Sequence[Repetition]) -> float:
    medians = [float(np.nanmedian(signals.torque[one.concentric])) for one in found]
    return float(np.median(medians)) if medians else 0.0


def _said(signals: Signals, numbered: Sequence[SetRepetition]) -> list[Statement]:
    said = [
        Statement(
            "samples-missing",
            f"Samples are missing in repetition {one.number}: it counts, but no torque or work is "
            "given for it.",
            one.measures.start_seconds,
            spoils=True,
        )
        for one in numbered
        if not one.measures.whole
    ]
    bridged = sum(one.measures.seconds_bridged for one in numbered if one.measures.whole)
    if bridged > 0.0:
        text = f"{1e3 * bridged:.0f} ms of torque are missing in short gaps, bridged by lines."
        said.append(Statement("samples-bridged", text))
    if signals.roller_degrees is None:
        text = "There is no signal of the restraint: whether it slipped is not known."
        said.append(Statement("restraint-not-seen", text))
    return said
