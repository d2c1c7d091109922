"""What the firmware takes of an RP2040's memory and time, measured in the virtual machine."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

from firmware.sample_cost import PARTS_HZ, sample_cost

_FIRMWARE = Path(__file__).parents[2] / "firmware"
_NAMES = [
    path.relative_to(_FIRMWARE).as_posix()
    for path in sorted(_FIRMWARE.rglob("*.py"))
    if path.name != "seal_viper.py"  # the virtual machine refuses it
]
HEAP_BYTES = 192 * 1024
"""The heap of MicroPython's RP2040 port (ports/rp2/main.c of an earlier release; later ones say
in the linker script)."""


def test_the_firmware_fits_with_room_to_compile_itself(start_program) -> None:
    calls = [f"compile_one({name!r})" for name in _NAMES]
    process = start_program(
        "footprint.py",
        calls=[*calls, "gc.collect()", "mark()", "load()", "mark()", "report()"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    output, errors = process.communicate(timeout=60)
    assert process.returncode == 0, errors.decode()[-2000:]
    found = json.loads(output)
    before, _, at_work = found["marks"]
    largest = max(found["compiled"].values())
    assert 5_000 < largest < 40_000  # source, syntax tree and bytecode of the worst file
    assert 50_000 < at_work - before < 110_000  # everything loaded, the queue's 8 KB and all
    assert at_work - before + largest < HEAP_BYTES * 3 // 4


def test_the_cost_of_a_sample_can_be_measured(start_program) -> None:
    # Times depend on who else uses the computer: here only that there is a sound measure.
    steps = sample_cost(start_program, rounds=100, slices=5)
    parts = sum(steps[name] * rate for name, rate in PARTS_HZ.items())
    assert all(5 < steps[name] < 2000 for name in PARTS_HZ)
    assert parts / 3 < steps["second"] < 10 * parts  # the parts and the loop's turns around them
