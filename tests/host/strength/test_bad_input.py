"""Bad input gets a clear statement, and no figure as if nothing had happened; what must not
matter does not."""

from __future__ import annotations

import json
import re
import time
from dataclasses import replace

import numpy as np
import pytest
from host.strength.visit import LoadedColumns, Visit, facts_of_visit, take_visit
from steelyard.errors import AnalysisError, ProfileError, WrongMachineError
from steelyard.strength.analysis_lines import analysis_lines, plain
from steelyard.strength.profile_file import load_profile, profile_from_json, ready_profile
from steelyard.strength.recorded_signals import profile_angle, signals_of
from steelyard.strength.session_analysis import SessionAnalysis, analyse_session
from steelyard_protocol.records import SampleFlags


@pytest.fixture(scope="module")
def visit() -> Visit:
    """Balance, an isometric test at one station, no set."""
    return take_visit("heron", "steady", "session", 41, seconds=112.0)


@pytest.fixture(scope="module")
def whole() -> Visit:
    return take_visit("heron", "steady", "session", 42)


def analysed(visit: Visit, load: LoadedColumns | None = None) -> SessionAnalysis:
    changed = visit if load is None else replace(visit, load=load)
    return analyse_session(changed.signals(), visit.profile, facts_of_visit(visit))


def codes(found: SessionAnalysis) -> set[str]:
    efforts = {one.code for test in found.tests for each in test.efforts for one in each.statements}
    return {one.code for one in found.statements} | efforts


def at(load: LoadedColumns, start: float, end: float) -> np.ndarray:  # type: ignore[type-arg]
    seconds = (load.device_us - load.device_us[0]) * 1e-6
    return np.asarray((seconds >= start) & (seconds < end))


def without(load: LoadedColumns, lost: np.ndarray) -> LoadedColumns:  # type: ignore[type-arg]
    columns = {
        name: value[~lost]
        for name, value in vars(load).items()
        if isinstance(value, np.ndarray) and len(value) == len(load)
    }
    return replace(load, **columns)


def test_a_sound_visit_has_its_figures(visit: Visit) -> None:
    found = analysed(visit)
    assert found.balance is not None
    assert len(found.tests[0].efforts) == 2
    assert all(effort.valid for effort in found.tests[0].efforts)


def test_dropped_samples_in_a_peak(visit: Visit) -> None:
    begin = analysed(visit).tests[0].efforts[0].span.onset_seconds
    found = analysed(visit, without(visit.load, at(visit.load, begin + 2.0, begin + 2.5)))
    assert found.tests[0].efforts[0].peak is None
    assert found.tests[0].efforts[1].valid
    assert "samples-missing" in codes(found)


def test_a_reboot_in_the_middle_of_an_effort(visit: Visit) -> None:
    load = visit.load
    begin = analysed(visit).tests[0].efforts[0].span.onset_seconds
    after = at(load, begin + 2.0, 1e9)
    lost = at(load, begin + 2.0, begin + 4.0)
    rebooted = replace(
        load,
        boot_index=after.astype(np.int32),
        device_us=np.where(after, load.device_us - 70_000_000, load.device_us),
    )
    found = analysed(visit, without(rebooted, lost))
    assert "restart" in codes(found)
    assert [effort.valid for effort in found.tests[0].efforts].count(True) == 1
    assert not any(
        effort.peak is not None and abs(effort.span.onset_seconds - begin) < 1.0
        for effort in found.tests[0].efforts
    )


def test_a_dead_angle_sensor_leaves_force_and_nothing_else(visit: Visit) -> None:
    load = visit.load
    dead = replace(
        load, flags=load.flags | np.uint16(SampleFlags.BUS_ERROR | SampleFlags.ANGLE_STALE)
    )
    found = analysed(visit, dead)
    assert "angle-dead" in codes(found)
    assert (found.balance, found.tests, found.sets, found.curves) == (None, (), (), ())
    assert "not measured" in "\n".join(analysis_lines(found, visit.profile))


def test_a_saturated_converter(visit: Visit) -> None:
    begin = analysed(visit).tests[0].efforts[0].span.onset_seconds
    hit = at(visit.load, begin + 2.0, begin + 3.0)
    flags = visit.load.flags | np.where(hit, np.uint16(SampleFlags.SATURATED_HIGH), np.uint16(0))
    found = analysed(visit, replace(visit.load, flags=flags.astype(np.uint16)))
    assert found.tests[0].efforts[0].peak is None
    assert "saturated" in codes(found)


def test_a_client_who_does_nothing() -> None:
    idle = take_visit("heron", "steady", "rest", 43, seconds=40.0)
    found = analysed(idle)
    assert {"no-effort", "no-repetition", "no-balance"} <= codes(found)
    assert found.balance is None
    assert found.sets == ()
    assert found.tests[0].stations == ()


def test_next_to_no_samples_is_no_session(visit: Visit) -> None:
    with pytest.raises(AnalysisError, match="nothing to analyse"):
        analysed(visit, without(visit.load, visit.load.sequence > 0))


def test_another_machine_and_another_box_are_refused() -> None:
    profile = replace(ready_profile("heron"), box_id="0011223344556677")
    profile.require("HERON", "0011223344556677")
    profile.require("", "")
    with pytest.raises(WrongMachineError, match="Wren"):
        profile.require("Wren", "0011223344556677")
    with pytest.raises(WrongMachineError, match="swapped"):
        profile.require("Heron", "ffeeddccbbaa9988")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"schema": "shopping list"}, "no machine profile"),
        ({"schema_version": 9}, "not known"),
        ({"travel_degrees": [64.0, -14.0]}, "contradicts itself"),
        ({"lock_degrees": [200.0]}, "lock position"),
        ({"joint": "knee"}, "wrong form"),
        ({"friction": {"value": 1.0, "standard_uncertainty": 0.1, "unit": "lb"}}, "unit"),
    ],
)
def test_profiles_that_mean_nothing_are_refused(change: dict[str, object], words: str) -> None:
    from importlib import resources

    folder = resources.files("steelyard.strength") / "profiles"
    content = json.loads((folder / "heron.json").read_text(encoding="utf-8"))
    with pytest.raises(ProfileError, match=words):
        profile_from_json(json.dumps({**content, **change}))
    del content["stack"]
    with pytest.raises(ProfileError, match="stack"):
        profile_from_json(json.dumps(content))
    with pytest.raises(ProfileError):
        profile_from_json("{")
    with pytest.raises(ProfileError, match="could not be read"):
        load_profile("no-such-file.json")


def test_ready_profiles_are_measured_values_and_not_the_simulators_truth() -> None:
    from steelyard.simulator.machine_model import MACHINES

    for name in ("heron", "wren"):
        profile, truth = ready_profile(name), MACHINES[name]
        pairs = [
            (profile.arm_moment, truth.arm_moment_nm),
            (profile.arm_top_degrees, truth.arm_top_degrees),
            (profile.arm_inertia, truth.arm_inertia),
            (profile.counterweight.moment_per_turn, truth.counterweight_nm_per_turn),
            (profile.counterweight.top_degrees, truth.counterweight_top_degrees),
            (profile.stack.arm_metres, truth.stack_arm_m),
            (profile.friction, truth.friction_nm),
            (profile.viscous, truth.viscous_nm_s),
        ]
        for measured, value in pairs:
            assert measured.holds(value), (name, measured, value)
            assert measured.value != value
        assert profile.joint.value == truth.joint
        assert profile.travel_degrees == truth.travel_degrees


# --- what must not matter ------------------------------------------------------------------


def figures(found: SessionAnalysis) -> list[float]:
    assert found.balance is not None
    values = [found.balance.moment.p, found.balance.moment.q]
    values += [one.peak.value for one in found.tests[0].efforts if one.peak]
    for summary in found.sets:
        values += [summary.work.value, summary.seconds_under_load, float(summary.count)]
    return values


def test_the_same_numbers_to_the_last_digit_every_time(whole: Visit) -> None:
    assert plain(analysed(whole)) == plain(analysed(whole))


def test_numbers_do_not_depend_on_when_the_boxs_clock_began(whole: Visit) -> None:
    later = replace(whole.load, device_us=whole.load.device_us + 3_600_000_000)
    roller = replace(whole.roller, device_us=whole.roller.device_us + 3_600_000_000)
    moved = replace(whole, load=later, roller=roller)
    assert figures(analysed(moved)) == pytest.approx(figures(analysed(whole)), rel=1e-9)


@pytest.mark.parametrize("rate_hz", [80.0, 93.0])
def test_numbers_hardly_depend_on_the_converters_own_rate(whole: Visit, rate_hz: float) -> None:
    """The same world sampled by another chip: within a fraction of the stated uncertainty."""
    other = take_visit("heron", "steady", "session", 42, rate_hz=rate_hz)
    first, second = analysed(whole), analysed(other)
    for one, two in zip(first.tests[0].efforts, second.tests[0].efforts, strict=True):
        assert one.peak is not None
        assert two.peak is not None
        assert abs(one.peak.value - two.peak.value) < 0.5 * one.peak.expanded_uncertainty
    assert first.balance is not None
    assert second.balance is not None
    for angle in (0.0, 25.0, 50.0):
        residual = first.balance.residual(angle)
        other_residual = second.balance.residual(angle).value
        assert abs(residual.value - other_residual) < residual.expanded_uncertainty
    assert [one.count for one in first.sets] == [one.count for one in second.sets]


def test_a_constant_added_to_the_counts_moves_no_effort(visit: Visit) -> None:
    shifted = replace(visit.load, load_counts=visit.load.load_counts + 40_000)
    before = [one.peak.value for one in analysed(visit).tests[0].efforts if one.peak]
    after = [one.peak.value for one in analysed(visit, shifted).tests[0].efforts if one.peak]
    assert after == pytest.approx(before, abs=1e-6)


def repeated(whole: Visit, copies: int) -> LoadedColumns:
    """The same session so many times, one after the other."""
    count, step = len(whole.load), int(whole.load.device_us[-1]) + 12_000
    columns = {
        name: np.concatenate(
            [value + (copy * step if name == "device_us" else 0) for copy in range(copies)]
        ).astype(value.dtype)
        for name, value in vars(whole.load).items()
        if isinstance(value, np.ndarray) and len(value) == count
    }
    return replace(whole.load, **columns)


def analysis_seconds(whole: Visit, copies: int) -> float:
    """Of this processor, the best of three."""
    load, taken = repeated(whole, copies), []
    for _ in range(3):
        begun = time.process_time()
        signals = signals_of(load, whole.scale, profile_angle(whole.profile))
        found = analyse_session(signals, whole.profile, facts_of_visit(whole))
        taken.append(time.process_time() - begun)
        assert len(found.sets) == copies
    return min(taken)


def test_a_long_session_costs_in_proportion(whole: Visit) -> None:
    """How many seconds ten minutes take is for ``tools/bench.py analysis``."""
    one, three = analysis_seconds(whole, 1), analysis_seconds(whole, 3)
    print(f"once {one:.3f} s, three times as long {three:.3f} s")
    assert three < 6.0 * one


def test_text_and_json_give_every_torque_with_its_uncertainty(whole: Visit) -> None:
    found = analysed(whole)
    text = "\n".join(analysis_lines(found, whole.profile))
    figures_given = re.findall(r"\b(?:peak|plateau|work|mean|muscles) -?\d[\d.]* (\S)", text)
    assert len(figures_given) > 30
    assert set(figures_given) == {"±"}
    assert json.loads(json.dumps(plain(found)))["sets"][0]["work"]["expanded_uncertainty"] > 0.0


def stated(visit: Visit, **facts: float) -> SessionAnalysis:
    return analyse_session(visit.signals(), visit.profile, replace(facts_of_visit(visit), **facts))


@pytest.mark.parametrize("turns", [-3.0, 900.0])
def test_a_crank_where_this_machine_has_none_gives_no_weight(visit: Visit, turns: float) -> None:
    found = stated(visit, crank_turns=turns)
    (said,) = [one for one in found.statements if one.code == "crank-impossible"]
    assert said.spoils
    assert f"{turns:g} turns" in said.text
    assert found.weight is None
    assert found.balance is not None


def test_plates_that_did_not_pull_so_are_asked_about(whole: Visit) -> None:
    true_kg = whole.world.machine.stack_kg
    for wrong_kg, sets in ((true_kg / 2.2, 1), (true_kg * 2.2, 1), (true_kg * 6.0, 0)):
        found = stated(whole, stack_kg=wrong_kg)
        (said,) = [one for one in found.statements if one.code == "plates-doubtful"]
        assert f"{wrong_kg:g} kg are stated" in said.text
        assert len(found.sets) == sets
        assert "no-repetition" not in codes(found)
    assert "plates-doubtful" not in codes(stated(whole, stack_kg=true_kg + 5.0))
