"""Machine and client against statics and common sense.

Torque balance and gravity moments are closed forms of statics; segment masses
from Winter (after Dempster 1955), Table 4.1.
"""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Iterator
from dataclasses import replace

import pytest
from steelyard.simulator.client_model import MANNERS, ClientModel, ClientTruth, draw_client
from steelyard.simulator.machine_model import (
    HERON,
    MACHINES,
    STANDARD_GRAVITY,
    WREN,
    MachineModel,
    gravity_torque,
)
from steelyard.simulator.options import WorldOptions
from steelyard.simulator.tasks import Kind
from steelyard.simulator.world import STEP_US, Truth, World

MACHINE_NAMES = sorted(MACHINES)


def play(world: World, seconds: float) -> Iterator[Truth]:
    """Each physics step's truth, as a copy."""
    for step in range(1, round(seconds * 1e6) // STEP_US + 1):
        world.shaft_degrees(step * STEP_US)
        yield replace(world.truth)


def world_of(machine: str = "heron", manner: str = "steady", **options: object) -> World:
    return World(
        WorldOptions(machine=MACHINES[machine], manner=MANNERS[manner], **options)  # type: ignore[arg-type]
    )


# --- statics -----------------------------------------------------------------------------


def test_gravity_moment_is_m_g_d_times_the_sine() -> None:
    moment_nm = 40.0 * STANDARD_GRAVITY * 0.3
    assert gravity_torque(moment_nm, 5.0, 5.0) == 0.0
    assert gravity_torque(moment_nm, 95.0, 5.0) == pytest.approx(-moment_nm)
    assert gravity_torque(moment_nm, 35.0, 5.0) == pytest.approx(-0.5 * moment_nm)
    assert gravity_torque(moment_nm, -25.0, 5.0) == pytest.approx(0.5 * moment_nm)


def test_counterweight_cancels_a_body_with_the_same_top_dead_centre() -> None:
    machine = MachineModel(replace(HERON, arm_moment_nm=0.0))
    top = HERON.counterweight_top_degrees
    machine.counterweight_turns = machine.turns_to_balance(120.0, top)
    assert machine.counterweight_turns == pytest.approx(120.0 / HERON.counterweight_nm_per_turn)
    for angle in range(-10, 61, 10):
        left = machine.own_gravity(angle) + gravity_torque(120.0, angle, top)
        assert left == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("name", MACHINE_NAMES)
def test_a_balanced_client_weighs_little_and_an_unbalanced_one_much(name: str) -> None:
    world = world_of(name, task="rest")
    client = world.client.truth
    low, high = client.range_degrees
    angles = [low + (high - low) * step / 20 for step in range(21)]

    def worst() -> float:
        return max(
            abs(
                world.machine.own_gravity(angle)
                + gravity_torque(client.gravity_nm, angle, client.top_degrees)
            )
            for angle in angles
        )

    balanced = worst()
    world.machine.counterweight_turns = 0.0
    assert balanced < 0.15 * worst()


def test_the_counterweight_stops_at_its_ends() -> None:
    machine = MachineModel(HERON)
    assert machine.turns_to_balance(1e4, 0.0) == HERON.counterweight_turns_limit


def test_stack_torque_is_weight_times_arm_with_friction_against_the_motion() -> None:
    machine = MachineModel(HERON)
    weight_nm = HERON.stack_kg * STANDARD_GRAVITY * HERON.stack_arm_m
    assert machine.stack_torque(-1.0, 0.0) == 0.0
    assert machine.stack_torque(10.0, 0.0) == pytest.approx(weight_nm)
    up, down = machine.stack_torque(10.0, 0.5), machine.stack_torque(10.0, -0.5)
    assert up == pytest.approx(weight_nm * (1 + HERON.stack_friction))
    assert down == pytest.approx(weight_nm * (1 - HERON.stack_friction))


def test_friction_opens_the_loop_against_the_motion() -> None:
    machine = MachineModel(HERON)
    extending = machine.driven_torque(50.0, 0.2)
    flexing = machine.driven_torque(50.0, -0.2)
    assert extending - flexing == pytest.approx(-2 * (HERON.friction_nm + 0.2 * HERON.viscous_nm_s))


def test_standing_still_friction_hides_a_small_change() -> None:
    machine = MachineModel(HERON)
    machine.held_torque(100.0)
    first = machine.held_torque(100.0 - HERON.friction_nm)
    assert first == machine.held_torque(100.0 - 1.9 * HERON.friction_nm)
    assert machine.held_torque(90.0) == pytest.approx(90.0 + HERON.friction_nm)


@pytest.mark.parametrize("angle", [-20.0, 70.0])
def test_stops_push_back_into_the_travel(angle: float) -> None:
    torque = MachineModel(HERON).stop_torque(angle, 0.0)
    # Positive extends, and extending makes the angle smaller.
    assert torque * (angle - 25.0) > 0.0


# --- client ---------------------------------------------------------------------------------


def test_moving_mass_follows_the_segment_table() -> None:
    # Winter, Table 4.1: trunk + head + neck 0.578 of body mass.
    client = draw_client("lumbar", MANNERS["steady"], random.Random(1))
    centre_m = client.gravity_nm / (0.578 * client.body_mass_kg * STANDARD_GRAVITY)
    assert 0.24 < centre_m < 0.32


def test_strength_falls_towards_extension() -> None:
    for seed in range(20):
        client = draw_client("lumbar", MANNERS["steady"], random.Random(seed))
        low, high = client.range_degrees
        assert client.strength(high) == pytest.approx(client.strength_nm[0])
        assert client.strength(low) == pytest.approx(client.strength_nm[1])
        assert client.strength(high) > client.strength((low + high) / 2) > client.strength(low)


def fatigued(share: float, seconds: float) -> ClientModel:
    client = ClientModel(
        draw_client("lumbar", MANNERS["steady"], random.Random(2)), random.Random(3)
    )
    for _ in range(round(seconds / 0.004)):
        client.unsteady(share * client.truth.strength(30.0), 30.0, 0.004)
    return client


def test_effort_tires_and_rest_restores() -> None:
    client = fatigued(0.9, 60.0)
    tired = client.freshness
    assert tired < 0.85
    for _ in range(round(300 / 0.004)):
        client.unsteady(0.0, 30.0, 0.004)
    # Closed form of the recovery: 1 - (1 - c0) e^(-t / 160).
    assert client.freshness == pytest.approx(1 - (1 - tired) * math.exp(-300 / 160), abs=1e-3)


def test_more_effort_tires_more() -> None:
    assert fatigued(0.9, 30.0).freshness < fatigued(0.5, 30.0).freshness < 1.0


def test_weak_is_weaker_than_steady_by_the_stated_share() -> None:
    weak, steady = (draw_client("lumbar", MANNERS[m], random.Random(1)) for m in ("weak", "steady"))
    assert weak.strength_nm[0] == pytest.approx(0.45 * steady.strength_nm[0])


# --- the whole ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", MACHINE_NAMES)
def test_isometric_torque_is_muscle_plus_gravity_but_for_friction(name: str) -> None:
    world = world_of(name)
    friction = world.machine.truth.friction_nm
    efforts = 0
    for truth in play(world, 130.0):
        if world.segment.kind in (Kind.HOLD, Kind.EFFORT):
            applied = truth.muscle_nm + truth.gravity_nm
            assert abs(truth.link_nm - applied) <= friction + 1e-9
            assert truth.cell_newtons == pytest.approx(
                truth.link_nm / world.machine.truth.cell_arm_m
            )
            efforts += world.segment.kind is Kind.EFFORT
    assert efforts > 1000


@pytest.mark.parametrize("name", MACHINE_NAMES)
def test_relaxed_sweep_shows_gravity_with_friction_either_way(name: str) -> None:
    world = world_of(name)
    departures: dict[str, list[float]] = {}
    for truth in play(world, 75.0):
        if world.segment.kind is Kind.SWEEP:
            departure = truth.link_nm - truth.gravity_nm - truth.muscle_nm
            departures.setdefault(world.segment.label, []).append(departure)
    machine = world.machine.truth
    for label, values in departures.items():
        sign = -1.0 if label.endswith("extending") else 1.0
        expected = sign * (machine.friction_nm + machine.viscous_nm_s * math.radians(5.0))
        assert statistics.median(values) == pytest.approx(expected, rel=0.02)
    assert len(departures) == 2


@pytest.mark.parametrize("name", MACHINE_NAMES)
def test_slow_repetitions_carry_the_stack(name: str) -> None:
    world = world_of(name)
    machine = world.machine.truth
    weight_nm = world.machine.stack_kg * STANDARD_GRAVITY * machine.stack_arm_m
    by_phase: dict[str, list[float]] = {"concentric": [], "eccentric": []}
    for truth in play(world, 240.0):
        phase = world.segment.label.rpartition(", ")[2]
        if phase in by_phase and abs(truth.extension_rad_s) > 0.15:
            by_phase[phase].append(truth.link_nm)
    up, down = (statistics.median(by_phase[phase]) for phase in ("concentric", "eccentric"))
    assert up == pytest.approx(weight_nm * (1 + machine.stack_friction), rel=0.03)
    assert down == pytest.approx(weight_nm * (1 - machine.stack_friction), rel=0.03)


def repetition_peaks(world: World, seconds: float = 290.0) -> list[float]:
    """The smallest angle of each repetition, in order."""
    peaks: list[float] = []
    repetition = ""
    for truth in play(world, seconds):
        name, _, _ = world.segment.label.partition(",")
        if not name.startswith("repetition"):
            repetition = ""
            continue
        if name != repetition:
            repetition = name
            peaks.append(math.inf)
        peaks[-1] = min(peaks[-1], truth.arm_degrees)
    return peaks


def test_a_steady_client_reaches_the_end_of_the_range() -> None:
    world = world_of()
    extended = world.client.truth.range_degrees[0]
    peaks = repetition_peaks(world, 275.0)
    assert len(peaks) >= 8
    assert all(abs(peak - extended) < 2.5 for peak in peaks[:8])


def test_faults_of_form_show() -> None:
    steady, short = world_of(), world_of(manner="short")
    assert min(repetition_peaks(short)) > min(repetition_peaks(steady)) + 15.0
    rushed = world_of(manner="rushed")
    fastest = max(abs(truth.extension_rad_s) for truth in play(rushed, 230.0))
    slow = max(abs(truth.extension_rad_s) for truth in play(world_of(), 230.0))
    assert fastest > 2.5 * slow
    stopping = world_of(manner="stops")
    for _ in play(stopping, 290.0):
        pass
    labels = {entry.segment.label for entry in stopping.log}
    assert "stopped" in labels
    assert "repetition 4, concentric" not in labels


def test_the_roller_stays_still_unless_the_client_slips() -> None:
    at_rest = HERON.roller_degrees_at_rest
    assert {truth.roller_degrees for truth in play(world_of(), 260.0)} == {at_rest}
    slipped = max(truth.roller_degrees for truth in play(world_of(manner="slipping"), 280.0))
    assert slipped - at_rest == pytest.approx(6 * MANNERS["slipping"].slip_degrees, abs=0.3)


@pytest.mark.parametrize("name", MACHINE_NAMES)
@pytest.mark.parametrize("manner", sorted(MANNERS))
def test_every_client_stays_within_the_machine(name: str, manner: str) -> None:
    world = world_of(name, manner)
    low, high = world.machine.truth.travel_degrees
    rated = world.machine.truth.cell_rated_newtons
    for truth in play(world, 330.0):
        assert low - 3.0 < truth.arm_degrees < high + 3.0
        assert abs(truth.cell_newtons) < 1.2 * rated


def test_weights_hang_by_schedule_and_by_call() -> None:
    world = world_of(task="weights", masses_kg=(0.0, 20.0), dwell_seconds=8.0)
    forces = [truth.cell_newtons for truth in play(world, 16.0)]
    still = world.weights.still_newtons(20.0)
    assert forces[round(7.9 * 250)] == 0.0
    assert forces[-1] == pytest.approx(still, rel=1e-3)
    world.hang(40.0)
    for step in range(16 * 250, 28 * 250):
        world.shaft_degrees(step * STEP_US)
    assert world.truth.cell_newtons == pytest.approx(2 * still, rel=1e-3)


def test_the_empty_arm_stands_at_each_scheduled_angle() -> None:
    world = world_of(task="angles", angles_degrees=(-10.0, 50.0), dwell_seconds=3.0)
    played = list(play(world, 12.0))
    at = [truth.arm_degrees for truth in played]
    assert set(at[round(2.0 * 250) : round(4.9 * 250)]) == {-10.0}
    assert set(at[round(7.0 * 250) :]) == {50.0}
    assert {truth.cell_newtons for truth in played} == {0.0}
    moving = [truth.extension_rad_s for truth in played[round(5.1 * 250) : round(6.9 * 250)]]
    assert max(moving) < 0.0  # flexing: the angle grows


def test_the_roller_stands_at_each_scheduled_angle_of_its_track() -> None:
    world = world_of(task="roller", angles_degrees=(20.0, 290.0), dwell_seconds=3.0)
    at = [truth.roller_degrees for truth in play(world, 12.0)]
    assert at[round(4.9 * 250)] == pytest.approx(20.0, abs=1e-6)
    assert at[-1] == pytest.approx(290.0, abs=1e-6)


def test_weights_on_the_arm_act_by_their_lever() -> None:
    world = world_of(task="weights")
    world.hang_on_arm(10.0, radius_m=0.6, slope_degrees=20.0)
    for _ in play(world, 12.0):
        pass
    torque_nm = world.weights.still_newtons(10.0) * 0.6 * math.cos(math.radians(20.0))
    assert world.truth.cell_newtons == pytest.approx(torque_nm / HERON.cell_arm_m, rel=1e-3)


# --- determinism ------------------------------------------------------------------------------


def felt(world: World, times_us: list[int]) -> list[tuple[float, ...]]:
    return [
        (world.bridge_ratio(0, t), world.bridge_ratio(1, t), world.shaft_degrees(t))
        for t in times_us
    ]


def test_the_same_seed_is_the_same_world_whoever_asks_and_when() -> None:
    coarse = list(range(0, 100_000_000, 500_000))
    fine = list(range(0, 100_000_000, 7_300))
    dense = dict(zip(fine, felt(world_of("wren"), fine), strict=True))
    sparse_world = world_of("wren")
    sparse = felt(sparse_world, coarse)
    both = [t for t in coarse if t in dense]
    assert len(both) > 1
    assert [sparse[coarse.index(t)] for t in both] == [dense[t] for t in both]


def test_another_seed_is_another_world() -> None:
    one, two = world_of(seed=1), world_of(seed=2)
    assert one.client.truth != two.client.truth
    assert one.cells[0].truth != two.cells[0].truth


def test_the_script_is_logged_in_order() -> None:
    world = world_of()
    for _ in play(world, 120.0):
        pass
    starts = [entry.start_seconds for entry in world.log]
    assert starts == sorted(starts)
    ends = [entry.start_seconds + entry.segment.seconds for entry in world.log]
    assert starts[1:] == pytest.approx(ends[:-1])


def test_wren_is_a_machine_for_the_neck() -> None:
    client: ClientTruth = draw_client(WREN.joint, MANNERS["steady"], random.Random(1))
    assert client.gravity_nm < 15.0
