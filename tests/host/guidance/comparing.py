"""What was shown live, held against the recording: each stretch exactly, the session as a whole."""

from __future__ import annotations

from typing import Any

from host.guidance.gym import Gym
from steelyard.guidance.balance_step import BalanceStep, fit_balance
from steelyard.guidance.isometric_step import IsometricStep, efforts_in
from steelyard.guidance.record_json import to_values
from steelyard.guidance.restraint_step import RestraintStep, judge_restraint
from steelyard.guidance.set_step import SetStep, sets_in
from steelyard.guidance.step import Step
from steelyard.guidance.stretch import Stretch
from steelyard.recording.reader import Recording
from steelyard.strength.effort import Effort
from steelyard.strength.recorded_signals import signals_of
from steelyard.strength.session_analysis import SessionAnalysis, analyse_session
from steelyard.strength.signals import Signals


def recorded(gym: Gym, recording: Recording, stretch: Stretch) -> Signals:
    channels = gym.scales.profile.channels
    assert channels.roller is not None
    return stretch.signals(
        recording.loads[channels.load], recording.angles[channels.roller], gym.scales
    )


def assert_live_is_recorded(gym: Gym, recording: Recording) -> int:
    """To the last digit; returns how many stretches were compared."""
    count = 0
    for step in gym.visit.steps:
        for live, stretch, again in _figures(gym, step):
            assert to_values(live) == to_values(again(recorded(gym, recording, stretch)))
            count += 1
    return count


def _figures(gym: Gym, step: Step) -> list[tuple[Any, Stretch, Any]]:
    stage = gym.visit.stage
    if isinstance(step, RestraintStep) and step.stretch is not None:
        return [(step.check, step.stretch, lambda signals: judge_restraint(signals, stage))]
    if isinstance(step, BalanceStep) and step.stretches:
        return [(step.fit, step.stretches[-1], lambda signals: fit_balance(signals, stage))]
    if isinstance(step, IsometricStep):
        return [
            (attempt.efforts, attempt.stretch, lambda signals: efforts_in(signals, stage))
            for record in step.records
            for attempt in record.attempts
        ]
    if isinstance(step, SetStep):
        return [
            (part, stretch, lambda signals: sets_in(signals, stage, step.stack_kg))
            for part, stretch in zip(step.parts, step.stretches, strict=True)
        ]
    return []


def whole_session(gym: Gym, recording: Recording) -> SessionAnalysis:
    """What ``steelyard analyse`` makes of the recording with the facts the visit gathered."""
    profile = gym.scales.profile
    assert profile.channels.roller is not None
    signals = signals_of(
        recording.loads[profile.channels.load],
        gym.scales.torque,
        gym.scales.angle,
        recording.angles[profile.channels.roller],
        profile.roller,
    )
    return analyse_session(signals, profile, gym.visit.facts)


def codes(effort: Effort) -> set[str]:
    return {one.code for one in effort.statements if one.spoils}


def assert_session_agrees(gym: Gym, found: SessionAnalysis) -> None:
    """Counts, validity, reasons and faults the same; figures to a tenth of their uncertainty."""
    efforts = [one for test in found.tests for station in test.stations for one in station.efforts]
    live = [
        one
        for test in gym.visit.stage.tests.values()
        for station in test.stations
        for one in station.efforts
    ]
    assert len(efforts) == len(live)
    for one, two in zip(efforts, live, strict=True):
        assert codes(one) == codes(two)
        assert (one.peak is None) == (two.peak is None)
        if one.peak is not None and two.peak is not None:
            assert abs(one.peak.value - two.peak.value) < 0.1 * one.peak.standard_uncertainty
    assert [one.count for one in found.sets] == [one.count for one in gym.visit.stage.sets]
    for first, second in zip(found.sets, gym.visit.stage.sets, strict=True):
        assert [one.faults for one in first.repetitions] == [
            one.faults for one in second.repetitions
        ]
        assert abs(first.work.value - second.work.value) < 0.1 * first.work.standard_uncertainty
    fit = gym.visit.stage.balance
    if fit is not None and found.balance is not None:
        worst, other = fit.worst()[1], found.balance.worst()[1]
        assert abs(worst.value - other.value) < 0.1 * worst.standard_uncertainty
