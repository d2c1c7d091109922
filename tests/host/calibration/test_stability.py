"""The judgement of rest: each way of not being at rest has its own name."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from steelyard.calibration import Stability, StabilityDetector, StabilityLimits, Verdict
from steelyard.calibration.applied import NO_COUNTS
from steelyard.calibration.stability import SATURATED_FLAGS, UNUSABLE_FLAGS
from steelyard_protocol.records import SampleFlags

RATE_HZ = 86.0
LIMITS = StabilityLimits()


def judge(
    signal: Callable[[float], float],
    seconds: float = 4.0,
    noise: float = 45.0,
    detector: StabilityDetector | None = None,
    start_ticks: int = 0,
    seed: int = 1,
) -> Verdict:
    random = np.random.default_rng(seed)
    detector = detector or StabilityDetector()
    verdict = Verdict(Stability.WAITING, "")
    for index in range(int(seconds * RATE_HZ)):
        t = index / RATE_HZ
        counts = round(signal(t) + random.normal(0.0, noise))
        verdict = detector.add(counts, (start_ticks + int(t * 1e6)) % (1 << 30))
    return verdict


def test_rest_is_recognised_and_averaged() -> None:
    verdict = judge(lambda t: 123_456.7)
    assert verdict.stable
    assert verdict.counts_mean == pytest.approx(123_456.7, abs=12.0)
    assert verdict.counts_standard_error == pytest.approx(45.0 / math.sqrt(258), rel=0.6)
    assert verdict.sample_count == pytest.approx(258, abs=3)


def test_rest_is_hardly_ever_missed() -> None:
    assert sum(judge(lambda t: 5e5, seed=seed).stable for seed in range(60)) == 60


def test_nothing_is_said_too_early() -> None:
    verdict = judge(lambda t: 5e5, seconds=2.5)
    assert verdict.stability is Stability.WAITING
    assert "of 3.0 s" in verdict.reason
    assert math.isnan(verdict.counts_mean)


@pytest.mark.parametrize("hertz", [0.5, 0.9, 1.7])
def test_swinging_is_moving(hertz: float) -> None:
    verdict = judge(lambda t: 5e5 + 600.0 * math.sin(2.0 * math.pi * hertz * t))
    assert verdict.stability is Stability.MOVING
    assert "back and forth" in verdict.reason


def test_a_plate_that_slips_is_moving() -> None:
    verdict = judge(lambda t: 5e5 if t < 2.5 else 4.9e5)
    assert verdict.stability is Stability.MOVING


@pytest.mark.parametrize("per_second", [150.0, -150.0])
def test_steady_change_is_drifting(per_second: float) -> None:
    verdict = judge(lambda t: 5e5 + per_second * t)
    assert verdict.stability is Stability.DRIFTING
    assert "drifting: 1" in verdict.reason


def test_slow_creep_is_let_through() -> None:
    assert judge(lambda t: 5e5 + 40.0 * t).stable


def test_noise_is_noise_and_not_movement() -> None:
    verdict = judge(lambda t: 5e5, noise=1500.0)
    assert verdict.stability is Stability.NOISY
    assert "shield" in verdict.reason


def test_limits_scale_with_the_span() -> None:
    limits = StabilityLimits.for_span(10_000.0)
    verdict = judge(lambda t: 5e3, noise=45.0, detector=StabilityDetector(limits))
    assert verdict.stability is Stability.NOISY
    assert StabilityLimits.for_span(1e6).movement_counts == pytest.approx(400.0)


@pytest.mark.parametrize(
    ("counts", "flags"),
    [
        (0x7FFFFF, 0),
        (-0x800000, 0),
        (500_000, SampleFlags.SATURATED_HIGH),
        (500_000, SampleFlags.SATURATED_LOW | SampleFlags.BUTTON_HELD),
    ],
)
def test_one_saturated_sample_spoils_the_window(counts: int, flags: int) -> None:
    detector = StabilityDetector()
    judge(lambda t: 5e5, detector=detector)
    verdict = detector.add(counts, 4_100_000, flags)
    for index in range(1, 30):
        verdict = detector.add(500_000, 4_100_000 + index * 11_600)
    assert verdict.stability is Stability.SATURATED
    assert "1 of the last" in verdict.reason
    # it leaves the window in the end
    for index in range(30, 320):
        verdict = detector.add(500_000, 4_100_000 + index * 11_600)
    assert verdict.stable


def test_few_lost_samples_are_left_out_many_are_a_fault() -> None:
    for every, expected in ((40, Stability.STABLE), (10, Stability.FAULTY)):
        detector = StabilityDetector()
        verdict = Verdict(Stability.WAITING, "")
        for index in range(400):
            lost = index % every == 0
            counts, flags = (NO_COUNTS, SampleFlags.NO_CONVERSION) if lost else (500_000, 0)
            verdict = detector.add(counts, index * 11_600, flags)
        assert verdict.stability is expected
        if verdict.stable:
            assert verdict.counts_mean == 500_000.0


def test_harmless_flags_are_ignored() -> None:
    detector = StabilityDetector()
    harmless = SampleFlags.ANGLE_STALE | SampleFlags.BUTTON_HELD | SampleFlags.MAGNET_WEAK
    for index in range(400):
        verdict = detector.add(500_000, index * 11_600, harmless)
    assert verdict.stable


def test_flags_are_those_of_the_wire() -> None:
    saturated = SampleFlags.SATURATED_HIGH | SampleFlags.SATURATED_LOW
    unusable = (
        SampleFlags.NO_CONVERSION
        | SampleFlags.DESYNC
        | SampleFlags.SETTLING
        | SampleFlags.SUSPECT
        | SampleFlags.OPEN_CIRCUIT
    )
    assert saturated == SATURATED_FLAGS
    assert unusable == UNUSABLE_FLAGS


def test_clock_that_wraps_does_not_matter() -> None:
    verdict = judge(lambda t: 5e5, start_ticks=(1 << 30) - 2_000_000)
    assert verdict.stable


def test_a_gap_starts_the_window_again() -> None:
    detector = StabilityDetector()
    assert judge(lambda t: 5e5, detector=detector).stable
    verdict = detector.add(500_000, 60_000_000)
    assert verdict.stability is Stability.WAITING


def test_restart_forgets_the_load_before() -> None:
    detector = StabilityDetector()
    assert judge(lambda t: 5e5, detector=detector).stable
    detector.restart()
    verdict = judge(lambda t: 1e5, detector=detector, start_ticks=400_000_000)
    assert verdict.stable
    assert verdict.counts_mean == pytest.approx(1e5, abs=12.0)


def test_ten_samples_a_second_are_enough_to_judge() -> None:
    detector = StabilityDetector()
    verdicts = [detector.add(500_000 + index % 2, index * 100_000) for index in range(60)]
    assert verdicts[-1].stable


@pytest.mark.parametrize("cut", [0.4, 0.6])
def test_a_plate_that_slips_is_told_from_a_swing(cut: float) -> None:
    detector = StabilityDetector()
    verdict = None
    for index in range(240):
        counts = 300_000 + (6_000 if index > 240 * cut else 0)
        verdict = detector.add(counts + index % 7, 12_500 * index)
    assert verdict is not None
    assert verdict.stability is Stability.MOVING
    assert "jumped by +" in verdict.reason
    assert "plate slip" in verdict.reason
