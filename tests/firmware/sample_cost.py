"""What a sample costs the firmware, as multiples of an empty loop step in the virtual machine."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from typing import Any

ROUNDS = 20_000
RP2040_LOOP_STEP_US = 3.3
"""One step of a bytecode loop on an RP2040 at 125 MHz: measured, see the design notes."""

RATES_HZ = {"load_sample": 2 * 94.0, "angle_sample": 220.0, "frame": 2 * 94.0 + 220.0}
"""Two amplifiers at their fastest, the arm at 200 Hz, the restraint at 20 Hz, a frame for each."""


def sample_cost(start_program: Callable[..., Any], rounds: int = ROUNDS) -> dict[str, float]:
    """Loop steps for each piece of work: load_sample, angle_sample, frame, idle_look.

    ``start_program``: the fixture of that name, or another function that
    starts a program of this folder in the virtual machine.
    """
    process = start_program(
        "cost.py", {"rounds": rounds}, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    output, errors = process.communicate(timeout=120)
    if process.returncode != 0:
        raise RuntimeError(errors.decode(errors="replace")[-2000:])
    steps: dict[str, float] = json.loads(output)["steps"]
    return steps


def core_share(steps: dict[str, float]) -> float:
    """Share of an RP2040's core that the default stream takes, by those steps."""
    busy_us = sum(steps[name] * rate for name, rate in RATES_HZ.items()) * RP2040_LOOP_STEP_US
    return busy_us * 1e-6
