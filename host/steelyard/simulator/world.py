"""The world around one box: machine, client, load cells and the script they follow.

It steps at a fixed 250 Hz whatever asks it, so the same seed gives the same
world for every reader; between steps values are interpolated.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from .bridge import LoadCell, draw_load_cell
from .client_model import ClientModel, draw_client
from .hanging import HangingWeights
from .machine_model import ROLLER_TRACK_DEGREES, MachineModel, gravity_torque
from .options import WorldOptions
from .parts.bench import Inputs
from .tasks import RELAX_SECONDS, TASKS, Kind, Script, Segment
from .virtual_client import VirtualClient

STEP_US: Final = 4000
STEP_SECONDS: Final = STEP_US * 1e-6
ORDER_STEPS: Final = 25
"""So many steps apart the client listens for a stop."""
RESTRAINT_PRELOAD_NEWTONS: Final = 60.0
SEATED_DEGREES: Final = 30.0


@dataclass(frozen=True)
class Logged:
    """A segment of the script with the time it began, in virtual seconds."""

    start_seconds: float
    segment: Segment


@dataclass
class Truth:
    """What is really so at the last step: angles in degrees, torques in N m, forces in N.

    ``link_nm`` is the torque that reaches the load cell; ``muscle_nm`` and
    ``gravity_nm`` (client, arm and counterweight together) are what it came from.
    """

    seconds: float = 0.0
    arm_degrees: float = SEATED_DEGREES
    extension_rad_s: float = 0.0
    muscle_nm: float = 0.0
    gravity_nm: float = 0.0
    link_nm: float = 0.0
    cell_newtons: float = 0.0
    restraint_newtons: float = 0.0
    roller_degrees: float = 0.0


class World(Inputs):
    """Everything outside the box, in virtual time; what the sensors feel of it.

    Public truth: ``truth`` (the last step), ``log`` (the script so far),
    ``machine``, ``client``, ``cells`` (their ``truth`` records).  ``virtual_client``
    takes orders in task ``guided``; None in the others.
    """

    def __init__(self, options: WorldOptions) -> None:
        seed = f"{options.machine.name}/{options.manner.name}/{options.seed}"
        self.options = options
        self.machine = MachineModel(options.machine)
        draw = random.Random(f"{seed}/draw")
        self.client = ClientModel(
            draw_client(options.machine.joint, options.manner, draw), random.Random(f"{seed}/body")
        )
        rated = (options.machine.cell_rated_newtons, options.machine.restraint_rated_newtons)
        self.cells = tuple(
            LoadCell(draw_load_cell(newtons, draw), random.Random(f"{seed}/cell{index}"))
            for index, newtons in enumerate(rated)
        )
        client = self.client.truth
        # The operator balanced the client before, to within a fraction of a turn.
        self.machine.counterweight_turns = round(
            self.machine.turns_to_balance(client.gravity_nm, client.top_degrees)
        )
        self.weights = HangingWeights(options.gravity_m_s2, random.Random(f"{seed}/weights"))
        self.truth = Truth(roller_degrees=options.machine.roller_degrees_at_rest)
        self.log: list[Logged] = []
        self.virtual_client = (
            VirtualClient(self, options.script_path) if options.task == "guided" else None
        )
        self._source = random.Random(f"{seed}/script")
        self._script = self._write_script(self._source)
        self._segment = Segment(Kind.HOLD, 0.0, "start")
        self._segment_start = 0.0
        self._from_degrees = SEATED_DEGREES
        self._rest_degrees = SEATED_DEGREES
        self._step_count = 0
        self._time_us = 0
        self._before = self._after = self._felt(0.0, 0.0)
        self._advance_script(0.0)

    def _write_script(self, source: random.Random) -> Iterator[Segment]:
        options = self.options
        script = Script(
            options.machine,
            self.client.truth,
            source,
            options.masses_kg,
            options.angles_degrees,
            options.dwell_seconds,
            self.virtual_client,
        )
        return TASKS[options.task](script)

    @property
    def segment(self) -> Segment:
        """The segment of the script now going on."""
        return self._segment

    def hang(self, mass_kg: float) -> None:
        """Hang so much in all from the load cell, from now on (task ``weights``).

        ``mass_kg`` is the true mass of everything that hangs; 0 takes all off.
        """
        self.weights.hang(mass_kg)

    def hang_on_arm(self, mass_kg: float, radius_m: float, slope_degrees: float = 0.0) -> None:
        """Hang so much in all from the arm, ``radius_m`` from the axis.

        ``slope_degrees`` is how far the arm is from level there: torque is
        m g r cos(slope).
        """
        share = radius_m * math.cos(math.radians(slope_degrees)) / self.machine.truth.cell_arm_m
        self.weights.hang(mass_kg, share)

    # --- what the sensors feel -------------------------------------------------------

    def bridge_ratio(self, index: int, at_us: int) -> float:
        """Output over excitation of a load cell (V/V): 0 measures, 1 is the restraint."""
        return self._at(at_us, index)

    def shaft_degrees(self, at_us: int) -> float:
        """Angle of the magnet: the arm's, offset, and a little eccentric."""
        machine = self.machine.truth
        angle = self._at(at_us, 2) + machine.shaft_offset_degrees
        return angle + machine.shaft_eccentricity_degrees * math.sin(math.radians(angle))

    def roller_fraction(self, at_us: int) -> float:
        """Place of the roller potentiometer's wiper."""
        return self._at(at_us, 3) / ROLLER_TRACK_DEGREES

    def core_celsius(self, at_us: int) -> float:
        """Temperature of the microcontroller: warms up by 9 degrees in a while."""
        return 24.0 + 9.0 * (1.0 - math.exp(-at_us / 4e8))

    def _at(self, at_us: int, index: int) -> float:
        while self._time_us < at_us:
            self._step()
        share = (at_us - self._time_us + STEP_US) / STEP_US
        before = self._before[index]
        return before + (self._after[index] - before) * max(0.0, share)

    # --- stepping -----------------------------------------------------------------------

    def _step(self) -> None:
        self._step_count += 1
        self._time_us = self._step_count * STEP_US
        seconds = self._step_count * STEP_SECONDS
        truth = self.truth
        truth.seconds = seconds
        while seconds >= self._segment_start + self._segment.seconds:
            self._advance_script(self._segment_start + self._segment.seconds)
        if self.virtual_client is not None and self._step_count % ORDER_STEPS == 0:
            self._stop_if_told(self.virtual_client, seconds)
        inside = seconds - self._segment_start
        kind = self._segment.kind
        if kind is Kind.FREE:
            self._step_free(inside)
        elif kind is Kind.BENCH:
            self._step_bench(inside)
        else:
            self._step_held(inside)
        self._feel()

    def _stop_if_told(self, client: VirtualClient, seconds: float) -> None:
        """Cut the segment short: whoever pushes lets go, whoever lifts sets down."""
        if not client.take_stop():
            return
        segment, inside = self._segment, seconds - self._segment_start
        here = self._target(inside)
        if segment.kind is Kind.EFFORT:
            level = segment.effort_at(inside)
            ending = Segment(
                Kind.EFFORT, RELAX_SECONDS, "stopped", effort=level, rise_seconds=STEP_SECONDS
            )
        elif segment.kind is Kind.FREE:
            ending = Segment(Kind.FREE, 2.0, "stopped", self._rest_degrees)
        else:  # weights that hang go on hanging
            bench = segment.kind is Kind.BENCH
            ending = Segment(Kind.BENCH if bench else Kind.HOLD, 0.5, "stopped")
        self._script = itertools.chain((ending,), self._write_script(self._source))
        self._from_degrees = here
        self._segment = Segment(Kind.FREE if segment.kind is Kind.FREE else Kind.HOLD, 0.0, "cut")
        self._advance_script(seconds)

    def _advance_script(self, start_seconds: float) -> None:
        self._from_degrees = self._target(self._segment.seconds)
        if self._segment.kind is Kind.BENCH and self._segment.to_degrees is not None:
            self.truth.arm_degrees = self._from_degrees  # whatever a step left of the way
        segment = next(self._script)
        if segment.kind is Kind.FREE and self._segment.kind is not Kind.FREE:
            self._rest_degrees = self._from_degrees
        if segment.hang_kg is not None:
            self.weights.hang(segment.hang_kg)
        if segment.kind is Kind.MOVE:
            self.client.settle_in()
        self._segment = segment
        self._segment_start = start_seconds
        self.log.append(Logged(start_seconds, segment))

    def _target(self, inside: float) -> float:
        """Where the script wants the arm, so many seconds into the segment."""
        segment = self._segment
        if segment.to_degrees is None or segment.seconds <= 0.0:
            return self._from_degrees
        share = min(1.0, inside / segment.seconds)
        way = segment.to_degrees - self._from_degrees
        return self._from_degrees + way * segment.course(share)

    def _gravity(self, angle_degrees: float) -> float:
        client = self.client.truth
        return self.machine.own_gravity(angle_degrees) + gravity_torque(
            client.gravity_nm, angle_degrees, client.top_degrees
        )

    def _step_held(self, inside: float) -> None:
        """Locked, or moved from the link side: the angle is given, the torque follows."""
        truth = self.truth
        target = self._target(inside)
        meant = self._segment.effort_at(inside) * self.client.capability(target)
        truth.muscle_nm = self.client.unsteady(meant, target, STEP_SECONDS)
        truth.gravity_nm = self._gravity(target)
        applied = truth.muscle_nm + truth.gravity_nm
        speed = math.radians(target - self._target(inside - STEP_SECONDS)) / -STEP_SECONDS
        if self._segment.kind in (Kind.SWEEP, Kind.MOVE):
            truth.link_nm = self.machine.driven_torque(applied, speed)
        else:
            truth.link_nm = self.machine.held_torque(applied)
        # The lock yields a little, so a strong effort moves the arm a little.
        give = math.degrees(truth.link_nm / self.machine.truth.lock_stiffness_nm_per_rad)
        truth.arm_degrees = target - give
        truth.extension_rad_s = speed

    def _step_free(self, inside: float) -> None:
        """The client moves the arm against the stack: the torque is meant, the angle follows."""
        truth, machine, client = self.truth, self.machine, self.client
        angle, speed = truth.arm_degrees, truth.extension_rad_s
        inertia = client.truth.inertia + machine.truth.arm_inertia
        lift = self._rest_degrees - angle
        stack_nm = machine.stack_torque(lift, speed)
        if lift > 0.0:
            inertia += machine.stack_inertia()
        target = self._target(inside)
        target_speed = math.radians(target - self._target(inside - STEP_SECONDS)) / -STEP_SECONDS
        truth.gravity_nm = self._gravity(angle)
        meant = (
            machine.stack_torque(self._rest_degrees - target, target_speed)
            - truth.gravity_nm
            + inertia * 89.0 * math.radians(angle - target)  # 1.5 Hz
            + inertia * 17.0 * (target_speed - speed)  # nearly critical
        )
        able = client.capability(angle)
        meant = max(-0.1 * able, min(able, meant))
        truth.muscle_nm = client.unsteady(meant, angle, STEP_SECONDS)
        friction = machine.truth.friction_nm * math.tanh(speed / 0.05)
        rest_stop = 2000.0 * max(0.0, math.radians(-lift - 0.5)) * inertia
        acceleration = (
            truth.muscle_nm
            + truth.gravity_nm
            - stack_nm
            - friction
            - machine.truth.viscous_nm_s * speed
            + rest_stop
            + machine.stop_torque(angle, speed)
        ) / inertia
        speed += acceleration * STEP_SECONDS
        truth.extension_rad_s = speed
        truth.arm_degrees = angle - math.degrees(speed * STEP_SECONDS)
        carried = machine.stack_inertia() * acceleration if lift > 0.0 else 0.0
        truth.link_nm = max(0.0, stack_nm + carried)

    def _step_bench(self, inside: float) -> None:
        """Nobody in the seat: the arm is where it was set by hand, the cell carries what hangs."""
        truth = self.truth
        truth.muscle_nm = truth.gravity_nm = truth.link_nm = 0.0
        if self._segment.to_degrees is None:  # it stays where whoever is at the machine left it
            truth.extension_rad_s = 0.0
            return
        truth.arm_degrees = self._target(inside)
        back = truth.arm_degrees - self._target(inside - STEP_SECONDS)
        truth.extension_rad_s = -math.radians(back) / STEP_SECONDS

    def _feel(self) -> None:
        truth, machine, client = self.truth, self.machine.truth, self.client
        segment = self._segment
        if segment.kind is Kind.BENCH:
            truth.cell_newtons = self.weights.update(STEP_SECONDS)
            truth.restraint_newtons = 0.0
        else:
            truth.cell_newtons = truth.link_nm / machine.cell_arm_m
            truth.restraint_newtons = (
                RESTRAINT_PRELOAD_NEWTONS + max(0.0, truth.muscle_nm) / machine.restraint_arm_m
            )
        if segment.slip_degrees:
            client.slip(segment.slip_degrees * STEP_SECONDS / segment.seconds)
        truth.roller_degrees = machine.roller_degrees_at_rest + client.slip_degrees
        self._before = self._after
        self._after = self._felt(truth.cell_newtons, truth.restraint_newtons)

    def _felt(self, cell_newtons: float, restraint_newtons: float) -> tuple[float, ...]:
        return (
            self.cells[0].update(cell_newtons, STEP_SECONDS),
            self.cells[1].update(restraint_newtons, STEP_SECONDS),
            self.truth.arm_degrees,
            self.truth.roller_degrees,
        )
