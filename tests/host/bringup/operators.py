"""People at a virtual machine: they push and move when asked, well or badly."""

from __future__ import annotations

from dataclasses import dataclass, field

from steelyard.bringup import Request, RequestKind
from steelyard.simulator.port import SimulatedPort

SWEEP_STEPS = 300


@dataclass
class VirtualOperator:
    """Does what is asked, a second after the step has begun.

    ``push_kg`` hangs from the measuring cell while a push is due; ``sweep_degrees`` is how far
    the arm moves, flexing; steps whose kind is in ``refuses`` are left out.
    """

    port: SimulatedPort
    push_kg: float = 5.0
    sweep_degrees: float = 60.0
    refuses: tuple[RequestKind, ...] = ()
    asked: list[Request] = field(default_factory=list)

    def ready(self, request: Request) -> bool:
        self.asked.append(request)
        if request.kind in self.refuses:
            return False
        if request.kind is RequestKind.PUSH and request.channel == 0:
            self._push()
        elif request.kind is RequestKind.PUSH:
            self._push_restraint()
        elif request.kind is RequestKind.MOVE:
            self._move(request.channel == 2)
        return True

    def _push(self) -> None:
        """By the weight that hangs: the bench has no other hands."""
        clock, world = self.port.box.clock, self.port.world
        clock.schedule_at(clock.now_us + 1_000_000, lambda: world.hang(self.push_kg))
        clock.schedule_at(clock.now_us + 3_000_000, lambda: world.hang(0.0))

    def _push_restraint(self) -> None:
        amplifier = self.port.box.bench.amplifiers[1]
        clock = self.port.box.clock

        def press(volts: float) -> None:
            amplifier.offset_volts = volts

        # 50 N on 2000 N with 2 mV/V at 5 V is 0.25 mV.
        clock.schedule_at(clock.now_us + 1_000_000, lambda: press(0.25e-3))
        clock.schedule_at(clock.now_us + 3_000_000, lambda: press(0.0))

    def _move(self, arm: bool) -> None:
        """At an even pace over six seconds; the rollers by 60 degrees."""
        clock, world = self.port.box.clock, self.port.world
        step_degrees = self.sweep_degrees / SWEEP_STEPS

        def step() -> None:
            if arm:
                world.truth.arm_degrees += step_degrees
            else:
                world.client.slip(60.0 / SWEEP_STEPS)

        for number in range(SWEEP_STEPS):
            clock.schedule_at(clock.now_us + 1_000_000 + number * 20_000, step)
