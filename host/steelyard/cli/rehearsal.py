"""A virtual machine to learn on: calibrated as a technician would, then run in real time."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from steelyard.calibration import (
    Conditions,
    Gravity,
    GuidedRun,
    Weight,
    calibrate_force,
    plan_run,
    save_calibration,
)
from steelyard.cli.bench_run import now_text
from steelyard.cli.boxes import binding_of
from steelyard.cli.virtual_bench import let_pass, measure
from steelyard.device import Box
from steelyard.simulator.port import SimulatedPort, open_simulated_port

GRAVITY_M_S2: Final = 9.81
SWING_SECONDS: Final = 3.0
MANNERS: Final = ("steady", "rushed", "slipping", "weak", "stops")
MASSES_KG: Final = {"heron": (20.0, 20.0, 50.0), "wren": (5.0, 10.0, 20.0)}
"""Test weights, hung one after the other."""


@dataclass(frozen=True)
class VirtualMachine:
    """Which machine and what client; ``seed`` draws client and cells."""

    machine: str = "heron"
    manner: str = "steady"
    seed: int = 1

    def fresh_script(self, folder: Path) -> Path:
        """An empty file for orders to the virtual client."""
        path = folder / f"{self.machine}-orders.txt"
        path.write_text("", encoding="utf-8")
        return path

    def guided_port(self, script: Path) -> str:
        """The port on which it runs in real time and does what ``script`` says."""
        return f"sim:{self._words}&task=guided&script={script}"

    @property
    def _words(self) -> str:
        return f"{self.machine}?client={self.manner}&seed={self.seed}&gravity={GRAVITY_M_S2}"

    def calibrated(self, folder: Path) -> Path:
        """A calibration of its load cell, made with virtual test weights; kept in ``folder``.

        Another seed or manner is another load cell, and other firmware may read it otherwise, so
        each has its own.
        """
        port = open_simulated_port(f"{self._words}&task=weights&speed=max")
        with Box.open(port) as box:
            firmware = box.description.firmware_version
            kept = folder / f"{self.machine}-{self.manner}-{self.seed}-firmware-{firmware}"
            for path in sorted(kept.glob("*.calibration.json")):
                return path
            kept.mkdir(parents=True, exist_ok=True)
            box.start_stream()
            return self._calibrate(box, port, kept)

    def _calibrate(self, box: Box, port: SimulatedPort, kept: Path) -> Path:
        masses_kg = MASSES_KG[self.machine]
        names = [f"{mass:g} kg no. {place}" for place, mass in enumerate(masses_kg, 1)]
        weights = {
            name: Weight(name, mass, oiml_class="M1")
            for name, mass in zip(names, masses_kg, strict=True)
        }
        loads = [
            (sum(masses_kg[:count]), tuple(names[:count])) for count in range(1, len(masses_kg) + 1)
        ]
        run = GuidedRun(plan_run(loads, runs=1, exercises=1))
        while (step := run.current) is not None:
            port.world.hang(sum(weights[name].nominal_kg for name in step.weights))
            let_pass(box, SWING_SECONDS)
            run.loaded()
            measure(box, run)
        conditions = Conditions(
            gravity=Gravity(GRAVITY_M_S2, 0.0005, "entered"),
            taken_at=now_text(),
            operator="rehearsal",
        )
        binding = binding_of(box.description, box.channels[0])
        return save_calibration(
            calibrate_force(run.points(), conditions, binding, weights=weights), kept
        )
