"""Being led through a calibration: the happy way, and every refusal on it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import (
    Direction,
    GuidedRun,
    LoadPoint,
    Phase,
    Progress,
    RunStep,
    StabilityLimits,
    calibrate_force,
    plan_run,
)
from steelyard.calibration.run_plan import left_to_do
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


def test_something_left_hanging_at_zero_is_noticed() -> None:
    # the zero before a run follows the zero after the exercises: nothing is to change
    stream = Stream()
    run = started(stream, 2)
    assert run.current is not None
    assert run.current.mass_kg == 0.0
    run.loaded()
    progress = stream.play(run, counts_of(5.0))
    assert progress.phase is Phase.REFUSED
    assert "does something still hang" in progress.text
    run.loaded()
    assert stream.play(run, counts_of(0.0) + 30.0).steps_done == 3


def test_what_it_waits_for_is_said_meanwhile() -> None:
    run, stream = GuidedRun(plan_run(LOADS)), Stream()
    run.loaded()
    assert "of 3.0 s seen" in stream.play(run, counts_of(60.0), seconds=1.0).text
    assert "moving" in stream.play(run, counts_of(60.0), swing=9e4, seconds=3.0).text


HOLD_SECONDS = 300.0


def held_run(creep: float = 2e-4, **events: float) -> tuple[GuidedRun, Progress]:
    """One run, then the load held: lags of half a minute and five minutes, and what goes wrong."""
    stream = Stream()
    run = GuidedRun(plan_run(LOADS, runs=1, exercises=0, hold_seconds=HOLD_SECONDS))
    while (step := run.current) is not None and step.hold_seconds == 0.0:
        run.loaded()
        stream.play(run, counts_of(step.mass_kg))
    assert step is not None
    assert "Creep" in step.text
    assert "5 minutes" in step.text
    run.loaded()
    load = 7968.0 * 60.0
    for index in range(int(400.0 * 20.0)):
        t = index / 20.0
        crept = creep * ((1.0 - math.exp(-t / 30.0)) + 2.0 * (1.0 - math.exp(-t / 300.0))) / 3.0
        value = counts_of(events.get("mass_kg", 60.0)) + load * crept
        value += 9_000.0 * math.exp(-t) * math.sin(6.0 * t)
        if t > events.get("moved_at", math.inf):
            value += 3_000.0
        ticks = round(t * 1e6)
        if t > events.get("gap_at", math.inf):
            ticks += 30_000_000
        run.feed(round(value + stream.random.normal(0.0, 45.0)), ticks % (1 << 30))
        if run.progress.phase is not Phase.MEASURING:
            break
        if t > 200.0 and index % 20 == 0 and not events:
            assert "of 5 minutes" in run.progress.text
    return run, run.progress


def test_a_held_load_shows_its_creep() -> None:
    run, progress = held_run()
    assert run.finished, progress.text
    assert len(run.points()) == 7  # the hold makes no point
    creep = run.creep()
    assert creep is not None
    assert creep.hold_seconds == pytest.approx(HOLD_SECONDS, abs=1.1)
    assert creep.load_counts == pytest.approx(7968.0 * 60.0, rel=1e-3)
    # ISO 376 as cited from memory: from 30 s to 300 s after loading
    truth = 2e-4 * (math.exp(-1.0) - math.exp(-10.0) + 2.0 * (math.exp(-0.1) - math.exp(-1.0))) / 3
    assert creep.figures()[0].percent == pytest.approx(100.0 * truth, abs=1e-3)
    bench = Bench(1)
    made = calibrate_force(
        run.points(), bench.conditions, BINDING, weights=bench.by_name, creep=creep
    )
    assert not any("no creep test" in remark for remark in made.remarks)
    assert run.back().phase is Phase.OPERATOR
    assert run.creep() is None


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ({"moved_at": 143.0}, "after 14"),
        ({"gap_at": 100.0}, "no samples came for 30 s"),
        ({"mass_kg": 12.0}, "is the mass right"),
        ({"mass_kg": 1200.0}, "saturated"),
    ],
)
def test_a_held_load_that_was_disturbed(events: dict[str, float], said: str) -> None:
    run, progress = held_run(**events)
    assert progress.phase is Phase.REFUSED
    assert said in progress.text
    assert run.creep() is None
    assert run.loaded().phase is Phase.MEASURING  # and may be held again


def test_a_hold_too_short_to_show_anything() -> None:
    with pytest.raises(CalibrationError, match="held for 60 s shows no creep"):
        plan_run(LOADS, hold_seconds=60.0)


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


def points_of(plan: tuple[RunStep, ...], count: int) -> list[LoadPoint]:
    steps = [step for step in plan if step.run > 0][:count]
    return [
        LoadPoint(s.run, s.direction, s.mass_kg, 1000.0 * s.mass_kg, 1.0, 240, s.weights)
        for s in steps
    ]


def test_a_run_that_broke_off_is_done_again_and_a_whole_one_kept() -> None:
    plan = plan_run(LOADS, runs=3, exercises=1)
    each = sum(step.run == 1 for step in plan)
    points = points_of(plan, each + 3)
    kept, left = left_to_do(plan, points)
    assert list(kept) == points[:each]
    assert [step.run for step in left] == [0] * 2 + [2] * each + [3] * each


def test_nothing_to_go_on_with_is_said() -> None:
    plan = plan_run(LOADS, runs=2)
    whole = points_of(plan, len(plan))
    with pytest.raises(CalibrationError, match="No run among the 3 readings is complete"):
        left_to_do(plan, whole[:3])
    with pytest.raises(CalibrationError, match="All 2 runs have been read"):
        left_to_do(plan, whole)
    other = plan_run([(mass + 1.0, names) for mass, names in LOADS], runs=2)
    with pytest.raises(CalibrationError, match="same --loads"):
        left_to_do(other, whole)
    assert left_to_do(plan_run(LOADS, runs=2, hold_seconds=300.0), whole)[1][-1].hold_seconds == 300
