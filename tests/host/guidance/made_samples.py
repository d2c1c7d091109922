"""Samples of a Heron made from plain functions of time: quick, and as odd as a test wants them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from host.strength.visit import linear_scale
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.visit import USUAL, Visit
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.recorded_signals import profile_angle
from steelyard.strength.session_analysis import SessionFacts
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import AngleSample, LoadSample

PROFILE = ready_profile("heron")
COUNTS_PER_NEWTON = 2000.0
SCALES = MachineScales(
    PROFILE,
    linear_scale(COUNTS_PER_NEWTON, 0.0, PROFILE.moment_arm),
    profile_angle(PROFILE),
)
PERIOD_US = 11_600
Course = Callable[[float], float]


@dataclass
class Machine:
    """``torque`` (N·m), ``degrees`` and ``roller`` (degrees) at a time in seconds."""

    torque: Course = lambda at: 0.0
    degrees: Course = lambda at: 30.0
    roller: Course = lambda at: 150.0
    flags: Callable[[float], int] = lambda at: 0
    boot_id: int = 77
    sequence: int = 0
    begun_us: int = 123_456_789

    def load(self, at: float) -> LoadSample:
        zero = PROFILE.angle_zero
        counts = self.torque(at) / PROFILE.moment_arm.length_metres * COUNTS_PER_NEWTON
        angle = zero.counts + (self.degrees(at) - zero.degrees) / 360.0 * zero.counts_per_turn
        ticks = (self.begun_us + round(at * 1e6)) % (1 << 30)
        flags = self.flags(at)
        return LoadSample(
            0, flags, self.boot_id, self.sequence, ticks, round(counts), round(angle), 2500
        )

    def wiper(self, load: LoadSample, at: float) -> AngleSample:
        assert PROFILE.roller is not None
        counts = round(self.roller(at) / PROFILE.roller.degrees_per_count)
        return AngleSample(
            3, 0, self.boot_id, load.sequence // 4, load.device_ticks_us + 50, counts, 0, 0, 0
        )

    def between(self, start: float, end: float) -> Iterator[tuple[float, object]]:
        """Records with the time at which they come."""
        while (at := self.sequence * PERIOD_US * 1e-6) < end:
            if at >= start:
                load = self.load(at)
                yield at, load
                if self.sequence % 4 == 0:
                    yield at, self.wiper(load, at)
            self.sequence += 1

    def restarted(self) -> Machine:
        return replace(self, boot_id=self.boot_id + 1, sequence=0)


def visit_of(
    order: tuple[tuple[str, str], ...] = USUAL,
    facts: SessionFacts | None = None,
    scales: MachineScales = SCALES,
) -> Visit:
    return Visit(scales, "C-001", facts, order)


def play(visit: Visit, machine: Machine, end: float, start: float = 0.0) -> None:
    for at, record in machine.between(start, end):
        visit.feed([record], at)


__all__ = ["NO_COUNTS", "PROFILE", "SCALES", "Machine", "play", "visit_of"]
