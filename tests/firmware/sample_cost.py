"""What a sample costs the firmware, and what the RP2040's core has left.

The virtual machine gives each piece of work as a multiple of an empty loop's
step; the design's measured figures turn that into microseconds of an RP2040.
``python tests/firmware/sample_cost.py`` prints the budget (tools/bench.py calls it).
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROUNDS = 10_000
RP2040_LOOP_STEP_US = 3.3
"""One step of a bytecode loop on an RP2040 at 125 MHz: measured, see the design notes."""

LOAD_HZ = 2 * 94.0
"""Two amplifiers at the fastest that a part sold as 80 a second converts."""
ARM_HZ = 200.0

RATES_HZ = {"load_sample": LOAD_HZ, "angle_sample": ARM_HZ, "frame": LOAD_HZ + ARM_HZ}
OTHER_US = {"I2C transfer": (ARM_HZ, 170.0), "status": (2.0, 5000.0), "collection": (2.0, 6800.0)}
"""(a second, us each).  Transfer: 54 bits at 2.5 us, and calls.  Status: 127 bytes, estimated.
Collection: measured in an emulator of the chip."""

WANTED_HEADROOM = 3.0


def sample_cost(start_program: Callable[..., Any], rounds: int = ROUNDS) -> dict[str, float]:
    """Loop steps for each piece of work: load_sample, angle_sample, frame, idle_look.

    ``start_program``: the fixture of that name, or another function that
    starts a program of this folder in the virtual machine.
    """
    process = start_program(
        "cost.py",
        {"rounds": rounds},
        processor_time=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    output, errors = process.communicate(timeout=300)
    if process.returncode != 0:
        raise RuntimeError(errors.decode(errors="replace")[-2000:])
    steps: dict[str, float] = json.loads(output)["steps"]
    return steps


def budget_ms(steps: dict[str, float]) -> dict[str, float]:
    """Milliseconds of the core that each kind of work takes in a second."""
    work = {
        name: steps[name] * RP2040_LOOP_STEP_US * rate / 1000 for name, rate in RATES_HZ.items()
    }
    return work | {name: rate * each / 1000 for name, (rate, each) in OTHER_US.items()}


def headroom(steps: dict[str, float]) -> float:
    """How many times the work of a second fits into a second."""
    return 1000 / sum(budget_ms(steps).values())


def main() -> int:
    """Measure and print; 1 when there is less headroom than wanted."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from micropython.conftest import program_starter

    steps = sample_cost(program_starter())
    for name, rate in RATES_HZ.items():
        each_us = steps[name] * RP2040_LOOP_STEP_US
        print(f"{name}: {steps[name]:.0f} steps = {each_us:.0f} us, {rate:.0f} a second")
    for name, milliseconds in budget_ms(steps).items():
        print(f"  {name}: {milliseconds:.0f} ms a second")
    times = headroom(steps)
    met = times >= WANTED_HEADROOM
    print(
        f"RP2040 at 2 x 94 conversions and 200 angles a second: {times:.2f}x"
        f" (wanted {WANTED_HEADROOM:g}x) {'ok' if met else 'MISSED'}"
    )
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
