"""Being led through a calibration: the happy way, and every refusal on it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import (
    Direction,
    GuidedRun,
    Phase,
    Progress,
    StabilityLimits,
    calibrate_force,
    plan_run,
)
from steelyard.errors import CalibrationError

LOADS = [(20.0, ("A",)), (40.0, ("A", "B")), (60.0, ("A", "B", "C"))]


class Stream:
    """Samples of a load that somebody hangs on: it swings, then rests."""

    def __init__(self, seed: int = 1) -> None:
        self.random = np.random.default_rng(seed)
        self.ticks_us = (1 << 30) - 5_000_000

    def play(
        self, run: GuidedRun, counts: float, swing: float = 4000.0, seconds: float = 60.0
    ) -> Progress:
        for index in range(int(seconds * 80.0)):
            t = index / 80.0
            value = counts + swing * math.exp(-t) * math.sin(6.0 * t)
            self.ticks_us = (self.ticks_us + 12_500) % (1 << 30)
            progress = run.feed(round(value + self.random.normal(0.0, 45.0)), self.ticks_us)
            if progress.phase is not Phase.MEASURING:
                return progress
        return run.progress


def counts_of(mass_kg: float) -> float:
    return 41_000.0 + 7968.0 * mass_kg


def test_plan_goes_up_and_down_and_back_to_zero() -> None:
    plan = plan_run(LOADS, runs=2, exercises=3)
    assert [step.mass_kg for step in plan[:6]] == [60.0, 0.0] * 3
    assert all(step.run == 0 for step in plan[:6])
    first = [(step.direction, step.mass_kg) for step in plan if step.run == 1]
    up, down = Direction.UP, Direction.DOWN
    assert first == [(up, 0), (up, 20), (up, 40), (up, 60), (down, 40), (down, 20), (down, 0)]
    assert len(plan) == 6 + 2 * 7
    assert "A + B" in plan[8].text
    assert "feet" in plan[8].text


@pytest.mark.parametrize(
    "loads", [[], [(0.0, ())], [(20.0, ()), (10.0, ())], [(20.0, ()), (20.0, ())]]
)
def test_loads_that_make_no_plan(loads: list[tuple[float, tuple[str, ...]]]) -> None:
    with pytest.raises(CalibrationError, match="no plan"):
        plan_run(loads)


def test_a_whole_run_gives_a_calibration() -> None:
    run, stream = GuidedRun(plan_run(LOADS, runs=2)), Stream()
    while (step := run.current) is not None:
        assert run.progress.phase is Phase.OPERATOR
        assert run.progress.text == step.text
        assert run.feed(0, 0).phase is Phase.OPERATOR  # not asked to measure yet
        assert run.loaded().phase is Phase.MEASURING
        stream.play(run, counts_of(step.mass_kg))
    assert run.finished
    assert run.progress.steps_done == run.progress.steps_total == 20
    points = run.points()
    assert len(points) == 14
    for point in points:
        assert point.counts_mean == pytest.approx(counts_of(point.mass_kg), abs=120.0)
        assert 0.5 < point.counts_standard_error < 80.0
    bench = Bench(1)
    result = calibrate_force(points, bench.conditions, BINDING, weights=bench.by_name)
    assert result.model.sensitivity_counts_per_newton == pytest.approx(812.1, rel=1e-3)
    assert run.loaded().phase is Phase.FINISHED
    assert run.feed(0, 0).phase is Phase.FINISHED


def started(stream: Stream, accepted: int) -> GuidedRun:
    run = GuidedRun(plan_run(LOADS, runs=1, exercises=1))
    for _ in range(accepted):
        step = run.current
        assert step is not None
        run.loaded()
        stream.play(run, counts_of(step.mass_kg))
    assert run.progress.steps_done == accepted
    return run


def test_the_load_must_rest_first() -> None:
    stream = Stream()
    run = started(stream, 1)
    run.loaded()
    before = stream.ticks_us
    stream.play(run, counts_of(0.0), swing=20_000.0)
    taken_us = (stream.ticks_us - before) % (1 << 30)
    assert taken_us > 5_000_000  # three seconds of rest, after the swing died down


def test_a_load_that_never_rests_is_refused_with_the_reason() -> None:
    stream = Stream()
    run = started(stream, 1)
    run.loaded()
    for index in range(80 * 40):
        value = counts_of(0.0) + 900.0 * math.sin(index / 20.0)
        progress = run.feed(round(value), index * 12_500)
    assert progress.phase is Phase.REFUSED
    assert "moving" in progress.text
    assert run.progress.steps_done == 1
    # measured again, at rest, it is taken
    run.loaded()
    assert stream.play(run, counts_of(0.0)).steps_done == 2


def test_saturation_is_refused_at_once() -> None:
    run = GuidedRun(plan_run(LOADS))
    run.loaded()
    progress = Stream().play(run, 8.6e6, seconds=1.0)
    assert progress.phase is Phase.REFUSED
    assert "saturated" in progress.text


def test_a_weight_not_hung_on_is_noticed() -> None:
    stream = Stream()
    run = started(stream, 3)
    assert run.current is not None
    assert run.current.mass_kg == 20.0
    run.loaded()
    progress = stream.play(run, counts_of(0.0), swing=0.0)
    assert progress.phase is Phase.REFUSED
    assert "span too small" in progress.text
    assert len(run.points()) == 1


def test_another_mass_than_asked_for_is_noticed() -> None:
    stream = Stream()
    run = started(stream, 4)
    run.loaded()  # asks for 40 kg after 20
    progress = stream.play(run, counts_of(120.0))
    assert progress.phase is Phase.REFUSED
    assert "is the mass right" in progress.text
    run.loaded()
    progress = stream.play(run, counts_of(10.0))
    assert progress.phase is Phase.REFUSED


def test_going_back_a_step() -> None:
    stream = Stream()
    run = started(stream, 4)
    before = run.points()
    run.back()
    assert run.points() == before[:-1]
    assert run.current is not None
    assert run.current.mass_kg == 20.0
    run.loaded()
    stream.play(run, counts_of(20.0))
    assert len(run.points()) == len(before)


def test_back_at_the_start_changes_nothing() -> None:
    run = GuidedRun(plan_run(LOADS))
    run.loaded()
    assert run.back().phase is Phase.OPERATOR
    assert run.progress.steps_done == 0


def test_nothing_to_do_is_finished() -> None:
    run = GuidedRun(())
    assert run.finished
    assert run.back().phase is Phase.FINISHED
    assert run.points() == ()


def test_limits_are_handed_on() -> None:
    strict = StabilityLimits(noise_counts=10.0)
    run = GuidedRun(plan_run(LOADS), strict)
    run.loaded()
    progress = Stream().play(run, counts_of(60.0), swing=0.0)
    assert progress.phase is Phase.REFUSED
    assert "noisy" in progress.text
    assert progress.verdict is not None
