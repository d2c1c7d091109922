"""The firmware's state-machine programs, ready for the emulator and for the stand-in."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

from steelyard.simulator.parts import rp2
from steelyard.simulator.parts.pio_program import MEMORY_WORDS, Program

_ROOT = Path(__file__).parents[2]
_EMULATOR = _ROOT / "tests" / "micropython" / "pio.mjs"
_BY_STATE_MACHINE = ("drivers.hx711_pio", "drivers.quadrature_pio")
SYSTEM_CLOCK_HZ = 125_000_000


@contextmanager
def state_machines() -> Iterator[None]:
    """Have `rp2` for a while: what is built meanwhile uses programmable I/O, what follows not."""
    sys.modules["rp2"] = rp2
    try:
        yield
    finally:
        for name in ("rp2", *_BY_STATE_MACHINE):
            sys.modules.pop(name, None)


def driver(name: str) -> ModuleType:
    """A driver that assembles its program on import, with the stand-in for `rp2`."""
    if str(_ROOT / "firmware") not in sys.path:
        sys.path.append(str(_ROOT / "firmware"))
    with state_machines():
        return importlib.import_module(f"drivers.{name}")


def emulate(node: Path, program: Program, frequency_hz: int, **job: Any) -> dict[str, Any]:
    """Run one job of pio.mjs."""
    first = MEMORY_WORDS - len(program.words)  # where MicroPython puts it
    job["program"] = {
        "words": program.at(first),
        "first": first,
        "wrap_target": program.wrap_target,
        "wrap": program.wrap,
        "side_count": program.side_count,
        "fifo_words": program.fifo_words,
    }
    job["divider"] = SYSTEM_CLOCK_HZ / frequency_hz
    job.setdefault("pins", {"input": 2, "side": 4})
    done = subprocess.run(
        [str(node), str(_EMULATOR)],
        input=json.dumps(job).encode(),
        capture_output=True,
        check=False,
        timeout=60,
    )
    if done.returncode != 0:
        raise AssertionError(done.stderr.decode()[-2000:])
    result: dict[str, Any] = json.loads(done.stdout)
    return result
