"""Isometric efforts: what they come to, which do not count, and the curve through the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from host.strength.synthetic import Array, hold, signals, swell
from host.strength.visit import Visit, take_visit
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate
from steelyard.errors import AnalysisError
from steelyard.simulator.client_model import MANNERS, Manner
from steelyard.simulator.tasks import Kind
from steelyard.strength.before_after import fatigue_response
from steelyard.strength.effort import EffortLimits
from steelyard.strength.isometric import IsometricTest, isometric_test, plan_stations
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.session_analysis import analyse_session
from steelyard.strength.signals import GRID_HZ, Signals
from steelyard.strength.torque_curve import torque_curve

HERON = ready_profile("heron")
DIP = -swell(30.0, 0.2, 0.1, 0.2)
FRICTION_HELP = 0.5 * HERON.friction.value


def made(*torques: Array, degrees: float = 30.0, noise_nm: float = 0.05) -> Signals:
    """Efforts one after the other at one station, four relaxed seconds before and after each."""
    parts = [np.zeros(320)]
    for torque in torques:
        parts += [torque, np.zeros(480)]
    torque = np.concatenate(parts)
    noise = np.random.default_rng(4).normal(0.0, noise_nm, len(torque))
    return signals(hold(degrees, len(torque) / GRID_HZ), torque + noise)


def examined(found: Signals, **limits: object) -> IsometricTest:
    return isometric_test(found, HERON, EffortLimits(**limits))  # type: ignore[arg-type]


def codes(found: Signals) -> list[set[str]]:
    return [{one.code for one in effort.statements} for effort in examined(found).efforts]


def test_peak_plateau_and_times_of_a_clean_effort() -> None:
    (effort,) = examined(made(swell(200.0, 1.5, 3.5, 1.0))).efforts
    assert effort.valid
    assert effort.peak is not None
    assert effort.plateau is not None
    assert effort.peak.value == pytest.approx(200.0 + FRICTION_HELP, abs=0.2)
    assert effort.plateau.value == pytest.approx(200.0 + FRICTION_HELP, abs=0.2)
    assert effort.span.onset_seconds == pytest.approx(4.0, abs=0.25)
    # 10 to 90 % of 3s² - 2s³ lies between s = 0.196 and 0.804: closed form
    assert effort.rise_time_seconds == pytest.approx(1.5 * 0.608, abs=0.06)
    assert effort.steadiness_percent is not None
    assert effort.steadiness_percent < 0.1


@given(st.floats(-80.0, 80.0), st.floats(0.5, 2.0))
@settings(max_examples=12, deadline=None)
def test_an_added_constant_changes_nothing_and_scale_scales(offset: float, factor: float) -> None:
    base = made(swell(200.0, 1.5, 3.5, 1.0))
    (first,) = examined(base).efforts
    (moved,) = examined(replace(base, torque=base.torque + offset, _smooth={})).efforts
    assert first.peak is not None
    assert moved.peak is not None
    assert moved.peak.value == pytest.approx(first.peak.value, abs=1e-6)
    (grown,) = examined(replace(base, torque=base.torque * factor, _smooth={})).efforts
    assert grown.peak is not None
    net = grown.peak.value - FRICTION_HELP
    assert net == pytest.approx(factor * (first.peak.value - FRICTION_HELP), rel=1e-3)


@pytest.mark.parametrize(
    ("torque", "code"),
    [
        (swell(200.0, 0.2, 4.0, 1.0), "too-abrupt"),
        (swell(200.0, 1.5, 0.8, 1.0), "not-held"),
        (np.concatenate([DIP, swell(200.0, 1.5, 3.5, 1.0)]), "countermovement"),
        (swell(600.0, 1.5, 3.5, 1.0), "beyond-limit"),
    ],
)  # fmt: skip
def test_faulty_efforts_are_named_and_do_not_count(torque: Array, code: str) -> None:
    found = made(torque)
    assert code in codes(found)[0]
    assert torque_curve(examined(found)) is None
    assert examined(found).stations[0].best is None


def test_repeats_that_disagree_are_named_and_the_best_stands() -> None:
    found = made(swell(200.0, 1.5, 3.5, 1.0), swell(150.0, 1.5, 3.5, 1.0))
    assert codes(found) == [set(), {"inconsistent"}]
    best = examined(found).stations[0].best
    assert best is not None
    assert best.peak is not None
    assert best.peak.value > 195.0


def test_an_arm_that_moves_and_a_restraint_that_slips_spoil_an_effort() -> None:
    base = made(swell(200.0, 1.5, 3.5, 1.0))
    shape = base.torque / 200.0
    moved = replace(base, degrees=base.degrees + 2.4 * np.clip(shape, 0.0, 1.0), _smooth={})
    assert "arm-moved" in codes(moved)[0]
    roller = 150.0 + 2.0 * (base.seconds > 6.0)
    slipped = replace(base, roller_degrees=roller, _smooth={})
    assert "restraint-slipped" in codes(slipped)[0]


def test_samples_missing_in_the_peak_leave_no_peak() -> None:
    base = made(swell(200.0, 1.5, 3.5, 1.0))
    torque = base.torque.copy()
    torque[round(6.5 * GRID_HZ) : round(6.9 * GRID_HZ)] = np.nan
    (effort,) = examined(replace(base, torque=torque, _smooth={})).efforts
    assert effort.peak is None
    assert not effort.valid
    assert effort.statements[0].code == "samples-missing"
    short = base.torque.copy()
    short[520:526] = np.nan
    (effort,) = examined(replace(base, torque=short, _smooth={})).efforts
    assert effort.valid
    assert effort.peak is not None
    assert effort.statements[0].code == "samples-missing"  # said all the same


def test_saturation_leaves_no_peak() -> None:
    base = made(swell(200.0, 1.5, 3.5, 1.0))
    saturated = base.saturated.copy()
    saturated[560] = True
    (effort,) = examined(replace(base, saturated=saturated)).efforts
    assert effort.peak is None
    assert effort.statements[0].code == "saturated"


def test_rise_is_given_only_over_what_sampling_resolves() -> None:
    found = made(swell(200.0, 1.5, 3.5, 1.0))
    test = examined(found, rise_seconds=(0.03, 0.05, 0.1, 0.2))
    assert [window for window, _ in test.efforts[0].rise] == [0.1, 0.2]
    said = [one.text for one in test.statements if one.code == "rise-not-resolved"]
    assert "30, 50 ms" in said[0]
    slow = replace(found, resolvable_seconds=0.8)  # amplifiers set to 10 samples/s
    assert isometric_test(slow, HERON).efforts[0].rise == ()


def test_a_client_who_does_nothing_gets_no_figure() -> None:
    test = examined(signals(hold(30.0, 20.0), np.random.default_rng(5).normal(0.0, 0.3, 1600)))
    assert test.stations == ()
    assert "no-effort" in {one.code for one in test.statements}
    moving = examined(signals(np.linspace(0.0, 50.0, 1600)))
    assert "no-station" in {one.code for one in moving.statements}


@pytest.mark.parametrize(
    ("manner", "code"),
    [
        (MANNERS["abrupt"], "too-abrupt"),
        (Manner("dipping", effort_dip=0.15), "countermovement"),
        (Manner("letting go", effort_held=0.55), "not-held"),
    ],
)
def test_simulated_clients_with_a_fault_are_caught_and_steady_ones_are_not(
    manner: Manner, code: str
) -> None:
    faulty = take_visit("heron", manner, "session", 3, seconds=112.0)
    clean = take_visit("heron", "steady", "session", 3, seconds=112.0)
    for visit, expected in ((faulty, True), (clean, False)):
        efforts = isometric_test(visit.signals(), visit.profile).efforts
        assert len(efforts) == 2
        assert [code in {one.code for one in effort.statements} for effort in efforts] == [
            expected
        ] * 2
        assert [effort.valid for effort in efforts] == [not expected] * 2


def three_stations() -> IsometricTest:
    parts, angles = [], []
    for degrees, torque in ((2.0, 120.0), (26.0, 180.0), (52.0, 240.0)):
        shape = np.concatenate([np.zeros(320), swell(torque, 1.5, 3.5, 1.0), np.zeros(320)])
        parts.append(shape)
        angles.append(hold(degrees, len(shape) / GRID_HZ))
    return isometric_test(signals(np.concatenate(angles), np.concatenate(parts)), HERON)


def test_the_curve_has_area_and_ratio_and_ends_where_it_ends() -> None:
    curve = torque_curve(three_stations())
    assert curve is not None
    middle = [one + FRICTION_HELP for one in (120.0, 180.0, 240.0)]
    area = integrate.trapezoid(middle, np.radians([2.0, 26.0, 52.0]))  # scipy's, not ours
    assert curve.area().value == pytest.approx(float(area), rel=2e-3)
    assert curve.flexed_to_extended().value == pytest.approx(middle[2] / middle[0], rel=2e-3)
    # what all points share cancels in the ratio: 0.2 % of scale twice would be 0.3 %
    ratio = curve.flexed_to_extended()
    own = [point.own_u / point.torque_nm for point in (curve.points[0], curve.points[-1])]
    assert ratio.standard_uncertainty == pytest.approx(ratio.value * float(np.hypot(*own)))
    assert curve.at(39.0).value == pytest.approx(0.5 * (middle[1] + middle[2]), rel=2e-3)
    for outside in (1.0, 53.0):
        with pytest.raises(AnalysisError, match="outside"):
            curve.at(outside)


def test_stations_lie_in_the_clients_range_on_the_machines_locks() -> None:
    assert plan_stations(HERON, (0.0, 54.0), 3) == (52.0, 26.0, 2.0)
    shuffled = plan_stations(HERON, (-12.0, 64.0), 5, seed=1)
    assert sorted(shuffled) == sorted(plan_stations(HERON, (-12.0, 64.0), 5))
    assert shuffled == plan_stations(HERON, (-12.0, 64.0), 5, seed=1)
    assert plan_stations(HERON, (70.0, 80.0), 3) == ()


def weaker_after_a_set() -> Visit:
    return take_visit("heron", "steady", "response", 12, seconds=420.0)


@pytest.mark.slow
def test_a_set_takes_strength_and_the_loss_is_within_its_uncertainty() -> None:
    visit = weaker_after_a_set()
    found = analyse_session(visit.signals(), visit.profile)
    assert len(found.tests) == 2
    assert found.responses
    true = _true_peaks(visit)
    for one in found.responses:
        before, after = true[round(one.degrees)]
        assert one.change.holds(after - before)
        assert one.change_percent.holds(100.0 * (after / before - 1.0))
        # the calibration's share cancels: less uncertain than two torques taken apart
        assert one.change.standard_uncertainty < np.hypot(
            one.before.standard_uncertainty, one.after.standard_uncertainty
        )


def _true_peaks(visit: Visit) -> dict[int, tuple[float, float]]:
    """Best windowed mean of muscle torque at each station, before and after the set."""
    found: dict[int, list[list[float]]] = {}
    middle = visit.segments(Kind.FREE)[0].start_seconds
    for one in visit.segments(Kind.EFFORT):
        part = visit.truth.between(one.start_seconds, one.start_seconds + 6.0)
        if part.stop >= len(visit.truth.seconds):
            continue
        muscle = visit.truth.muscle_nm[part]
        peak = float(np.convolve(muscle, np.full(43, 1.0 / 43.0), "valid").max())
        place = round(float(np.median(visit.truth.arm_degrees[part])))
        found.setdefault(place, [[], []])[one.start_seconds > middle].append(peak)
    near = {}
    for place, (before, after) in found.items():
        for offset in (-1, 0, 1):
            if before and after:
                near[place + offset] = (max(before), max(after))
    return near


def test_tests_without_a_common_station_cannot_be_compared() -> None:
    first = three_stations()
    other = replace(
        first, stations=tuple(replace(one, degrees=one.degrees + 9.0) for one in first.stations)
    )
    with pytest.raises(AnalysisError, match="in common"):
        fatigue_response(first, other)
