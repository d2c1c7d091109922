"""What a second of sampling costs the firmware, and what the RP2040's core has left.

The virtual machine gives the work of the main loop as a multiple of an empty
loop's step; the design's measured figures turn that into time of an RP2040.
``python tests/firmware/sample_cost.py`` prints the budget (tools/bench.py calls it).
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROUNDS = 200
SLICES = 120
MEASURED_TIMES = 7
"""Two of them differ by a fifth, as a virtual machine in another one is timed."""
RP2040_LOOP_STEP_US = 3.3
"""One step of a bytecode loop on an RP2040 at 125 MHz: measured, see the design notes."""

LOAD_HZ = 2 * 94.0
"""Two amplifiers at the fastest that a part sold as 80 a second converts."""
ARM_HZ = 200.0
ROLLER_HZ = 20.0

PARTS_HZ = {
    "load_sample": LOAD_HZ,
    "angle_sample": ARM_HZ + ROLLER_HZ,
    "frame": LOAD_HZ + ARM_HZ + ROLLER_HZ,
    "status": 2.0,
}
"""What the second is made of, with the turns of the loop that bring it about."""

OTHER_US = {
    "sealing in machine code": (LOAD_HZ + ARM_HZ + ROLLER_HZ, 40.0),
    "I2C transfer": (ARM_HZ, 170.0),
    "collection and weighing": (0.05, 27000.0),
}
"""(a second, us each).  Sealing: 26 bytes of CRC-32 at 0.58 us in viper (design notes) and the COBS
of 31; 40 us in an emulator of the chip.  The virtual machine refuses viper: what sealing costs it
in bytecode is taken off.  Transfer: 54 bits at 2.5 us, and calls.  Collection: once in 20 s, 18 ms,
and 9 ms to ask what is free (both measured in an emulator of the chip)."""

WANTED_HEADROOM = 3.0


def sample_cost(
    start_program: Callable[..., Any], rounds: int = ROUNDS, slices: int = SLICES
) -> dict[str, float]:
    """Loop steps of a `second` of the fastest stream and of its parts: PARTS_HZ, idle_turn, seal.

    ``start_program``: the fixture of that name, or another function that
    starts a program of this folder in the virtual machine.
    """
    process = start_program(
        "cost.py",
        {"rounds": rounds, "slices": slices},
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
    """Milliseconds of the core that a second of the fastest stream takes."""
    frames = LOAD_HZ + ARM_HZ + ROLLER_HZ
    loop = steps["second"] - frames * steps["seal"]
    work = {"main loop": loop * RP2040_LOOP_STEP_US / 1000}
    return work | {name: rate * each / 1000 for name, (rate, each) in OTHER_US.items()}


def headroom(steps: dict[str, float]) -> float:
    """How many times the work of a second fits into a second."""
    return 1000 / sum(budget_ms(steps).values())


def main() -> int:
    """Measure and print; 1 when there is less headroom than wanted."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from micropython.conftest import program_starter

    start_program = program_starter()
    found = [sample_cost(start_program) for _ in range(MEASURED_TIMES)]
    steps = {name: statistics.median(one[name] for one in found) for name in found[0]}
    for name, rate in PARTS_HZ.items():
        each_us = steps[name] * RP2040_LOOP_STEP_US
        print(
            f"{name}: {steps[name]:.0f} steps = {each_us:.0f} us,"
            f" {rate:.0f} a second: {each_us * rate / 1000:.0f} ms"
        )
    print(f"  of a frame, sealing in bytecode: {steps['seal']:.0f} steps")
    print(f"idle turn of the loop: {steps['idle_turn'] * RP2040_LOOP_STEP_US:.0f} us")
    for name, milliseconds in budget_ms(steps).items():
        print(f"  {name}: {milliseconds:.0f} ms a second")
    times = headroom(steps)
    met = times >= WANTED_HEADROOM
    print(
        f"RP2040 at 2 x 94 conversions and 200 + 20 angles a second: {times:.2f}x"
        f" (wanted {WANTED_HEADROOM:g}x) {'ok' if met else 'MISSED'}   medians of"
        f" {MEASURED_TIMES} measurements, {min(map(headroom, found)):.2f}x to"
        f" {max(map(headroom, found)):.2f}x"
    )
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
