"""A simulated visit with its truth: the world sampled as the box would, without the box.

The load cell's converter is modelled by its four-conversion filter and its
noise, the angle sensor by its steps and noise, the potentiometer by its noise.
The technician's profile and calibration are drawn about the truth, with the
uncertainty they state.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from steelyard.simulator.bridge import COUNTS_PER_GAIN_AND_RATIO
from steelyard.simulator.client_model import MANNERS, Manner
from steelyard.simulator.machine_model import MACHINES
from steelyard.simulator.options import WorldOptions
from steelyard.simulator.tasks import Kind
from steelyard.simulator.world import Logged, World
from steelyard.strength.arm_torque import MomentArm
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Measured
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.recorded_signals import profile_angle, signals_of
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.signals import Signals
from steelyard.strength.torque_scale import TorqueScale, TorqueUncertainty

Array = NDArray[np.float64]

RATE_HZ = 86.0
GAIN = 128
NOISE_COUNTS = 40.0
FILTER = (0.125, 0.375, 0.375, 0.125)
U_SCALE = 0.0008
U_ZERO_NEWTONS = 0.4
"""As a calibration with 20 kg weights on this cell states them: see the calibration's tests."""


@dataclass(frozen=True)
class TruthColumns:
    """The world's own figures at the times of the samples (n)."""

    seconds: Array
    arm_degrees: Array
    muscle_nm: Array
    gravity_nm: Array
    link_nm: Array
    extension_rad_s: Array
    roller_degrees: Array

    def between(self, start: float, end: float) -> slice:
        first, last = np.searchsorted(self.seconds, [start, end])
        return slice(int(first), int(last))


@dataclass(frozen=True)
class Columns:
    """Samples as the analysis wants them (n)."""

    sequence: NDArray[np.uint32]
    boot_index: NDArray[np.int32]
    device_us: NDArray[np.int64]
    host_unix_ns: NDArray[np.int64]
    flags: NDArray[np.uint16]
    angle_counts: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.sequence)


@dataclass(frozen=True)
class LoadedColumns(Columns):
    load_counts: NDArray[np.int32]
    angle_age_us: NDArray[np.uint16]


@dataclass(frozen=True)
class Visit:
    world: World
    load: LoadedColumns
    roller: Columns
    truth: TruthColumns
    profile: MachineProfile
    scale: TorqueScale

    def signals(self) -> Signals:
        return signals_of(
            self.load, self.scale, profile_angle(self.profile), self.roller, self.profile.roller
        )

    def segments(self, kind: Kind, label: str = "") -> list[Logged]:
        return [
            one
            for one in self.world.log
            if one.segment.kind is kind and one.segment.label.startswith(label)
        ]


def make_world(
    machine: str, manner: Manner | str, task: str, seed: int, turns_off: float = 0.0
) -> World:
    manner = MANNERS[manner] if isinstance(manner, str) else manner
    world = World(WorldOptions(machine=MACHINES[machine], manner=manner, task=task, seed=seed))
    world.machine.counterweight_turns += turns_off
    return world


def drawn_profile(machine: str, seed: int) -> MachineProfile:
    """The ready profile with every figure drawn about the truth by its own uncertainty."""
    ready, truth = ready_profile(machine), MACHINES[machine]
    source = random.Random(f"profile/{machine}/{seed}")

    def near(value: float, stated: Measured) -> Measured:
        return replace(stated, value=source.gauss(value, stated.standard_uncertainty))

    arm, zero = ready.moment_arm, ready.angle_zero
    shaft = 30.0 + truth.shaft_offset_degrees
    shaft += truth.shaft_eccentricity_degrees * math.sin(math.radians(shaft))
    counts = (shaft / 360.0 * 4096) % 4096
    weight = ready.counterweight
    return replace(
        ready,
        moment_arm=MomentArm(
            source.gauss(truth.cell_arm_m, arm.standard_uncertainty_metres),
            arm.standard_uncertainty_metres,
        ),
        angle_zero=replace(
            zero, counts=counts, degrees=source.gauss(30.0, zero.standard_uncertainty_degrees)
        ),
        arm_moment=near(truth.arm_moment_nm, ready.arm_moment),
        arm_top_degrees=near(truth.arm_top_degrees, ready.arm_top_degrees),
        counterweight=replace(
            weight,
            moment_per_turn=near(truth.counterweight_nm_per_turn, weight.moment_per_turn),
            top_degrees=near(truth.counterweight_top_degrees, weight.top_degrees),
        ),
        friction=near(truth.friction_nm, ready.friction),
        viscous=near(truth.viscous_nm_s, ready.viscous),
    )


def drawn_scale(world: World, profile: MachineProfile, seed: int) -> TorqueScale:
    """A straight calibration that is off by a draw from its own stated uncertainty."""
    source = random.Random(f"scale/{seed}")
    cell = world.cells[0].truth
    zero = cell.counts(0.0) + source.gauss(0.0, U_ZERO_NEWTONS) * cell.counts_per_newton()
    slope = cell.counts_per_newton() * (1.0 + source.gauss(0.0, U_SCALE))
    return linear_scale(slope, zero, profile.moment_arm, cell.rated_newtons)


def linear_scale(
    counts_per_newton: float, zero_counts: float, arm: MomentArm, rated_newtons: float = 2000.0
) -> TorqueScale:
    metres = arm.length_metres

    def convert(counts: Array) -> tuple[Array, NDArray[np.bool_]]:
        newtons = (counts - zero_counts) / counts_per_newton
        return newtons * metres, np.abs(newtons) > rated_newtons

    torque = np.linspace(-0.5, 1.0, 61) * rated_newtons * metres
    relative = math.hypot(U_SCALE, arm.standard_uncertainty_metres / metres)
    hysteresis = 1e-4 * rated_newtons * metres
    change = np.hypot(relative * torque, hysteresis)
    table = TorqueUncertainty(torque, np.hypot(change, U_ZERO_NEWTONS * metres), change)
    return TorqueScale(convert, table, "drawn")


def take_visit(
    machine: str = "heron",
    manner: Manner | str = "steady",
    task: str = "session",
    seed: int = 1,
    *,
    seconds: float | None = None,
    sets: int = 1,
    turns_off: float = 0.0,
    rate_hz: float = RATE_HZ,
) -> Visit:
    """Play a visit for some seconds, or until so many sets of repetitions are over."""
    world = make_world(machine, manner, task, seed, turns_off)
    rows = list(_rows(world, seconds, sets, rate_hz))
    columns = np.array(rows)
    source = np.random.default_rng(seed)
    times, profile = columns[:, 0], drawn_profile(machine, seed)
    raw = np.convolve(columns[:, 1], FILTER)[: len(times)]
    raw[:3] = columns[:3, 1]
    counts = np.round(raw * GAIN * COUNTS_PER_GAIN_AND_RATIO + source.normal(0, 40.0, len(times)))
    angle = np.round((columns[:, 2] + source.normal(0.0, 0.04, len(times))) / 360.0 * 4096) % 4096
    count = len(times)
    device_us = np.round(times * 1e6).astype(np.int64)
    common = {
        "sequence": np.arange(count, dtype=np.uint32),
        "boot_index": np.zeros(count, np.int32),
        "device_us": device_us,
        "flags": np.zeros(count, np.uint16),
        "host_unix_ns": np.full(count, np.iinfo(np.int64).min),
    }
    load = LoadedColumns(
        **common,
        load_counts=counts.astype(np.int32),
        angle_counts=angle.astype(np.int32),
        angle_age_us=np.full(count, 2500, np.uint16),
    )
    fifth = {name: column[::4] for name, column in common.items()}
    wiper = columns[::4, 3] * 65536 + source.normal(0.0, 10.0, len(times[::4]))
    roller = Columns(**fifth, angle_counts=np.round(wiper).astype(np.int32))
    truth = TruthColumns(times, *columns[:, 4:].T)
    return Visit(world, load, roller, truth, profile, drawn_scale(world, profile, seed))


def _rows(
    world: World, seconds: float | None, sets: int, rate_hz: float
) -> Iterator[tuple[float, ...]]:
    index, done, seen = 0, 0, 0
    while True:
        index += 1
        at_us = round(index / rate_hz * 1e6)
        ratio, shaft = world.bridge_ratio(0, at_us), world.shaft_degrees(at_us)
        truth = world.truth
        yield (
            at_us * 1e-6,
            ratio,
            shaft,
            world.roller_fraction(at_us),
            truth.arm_degrees,
            truth.muscle_nm,
            truth.gravity_nm,
            truth.link_nm,
            truth.extension_rad_s,
            truth.roller_degrees,
        )
        for one in world.log[seen:]:
            done += one.segment.label in ("rest between sets",)
        seen = len(world.log)
        if (seconds is not None and at_us >= seconds * 1e6) or (seconds is None and done >= sets):
            if seconds is None and at_us * 1e-6 < world.log[-1].start_seconds + 2.0:
                continue
            return


def facts_of_visit(visit: Visit) -> SessionFacts:
    """What the operator knows: crank and plates."""
    machine = visit.world.machine
    return SessionFacts(crank_turns=machine.counterweight_turns, stack_kg=machine.stack_kg)
