"""Hours of streaming, as many as STEELYARD_SIMULATED_HOURS says; a few minutes without it.

A day of it takes about a quarter of an hour on CPython, with the arm's angle at
200 a second and a look at every event.  In the virtual machine the arm is read
at its slowest, 50 a second, and the loop looks every 20 ms: the conversions,
2 x 94 a second, wait in the drivers' rings until then.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from steelyard_protocol import codec, records

_ROOT = Path(__file__).parents[2]
_PROGRAMS = Path(__file__).parent / "programs"
_HOURS = os.environ.get("STEELYARD_SIMULATED_HOURS")
_CALL_SECONDS = 60 if _HOURS else 10  # few calls: a day of them must fit one argument
_WEIGHED_EVERY_CALLS = 4
_WEIGHINGS = 4  # at either end
_START_BEFORE_WRAP_US = 30_000_000
_FIRST_SEQUENCE = (1 << 30) - 3000  # load and arm channels wrap within the first minute
_BOUNDED_BYTES = 512
"""What the heap may seem to hold in between.  The collector takes whatever looks like an address
for one, so a few bytes in the sample ring keep a dead number alive now and then (16 bytes in one
weighing of four); the least of several weighings is what is in use."""


def _arguments(arm_hz: int, away_us: int) -> dict[str, Any]:
    key = records.SettingKey.ANGLE_RATE_MILLIHERTZ
    requests = [
        records.WriteSetting(1, key, 2, 1000 * arm_hz, bytes(16)),
        records.StartStream(2),
    ]
    return {
        "start_us": (1 << 30) - _START_BEFORE_WRAP_US,
        "first_sequence": _FIRST_SEQUENCE,
        "away_us": away_us,
        "requests": [list(codec.encode(request)) for request in requests],
    }


def _calls(seconds: float) -> list[str]:
    weighings = ["long_run.run(5)", "long_run.weigh()"] * _WEIGHINGS
    calls = [f"long_run.run({_CALL_SECONDS})"] * 3 + weighings
    for turn in range(round(seconds / _CALL_SECONDS)):
        calls.append(f"long_run.run({_CALL_SECONDS})")
        if turn % _WEIGHED_EVERY_CALLS == _WEIGHED_EVERY_CALLS - 1:
            calls.append("long_run.weigh()")
    return [*calls, *weighings, "long_run.report()"]


def _seconds(without: float) -> float:
    return float(_HOURS) * 3600 if _HOURS else without


def _check(found: dict[str, Any], arm_hz: int) -> None:
    # Every conversion arrived or was counted as dropped, and none was late or doubtful.
    assert found["made"] == sum(found["conversions"][:2])
    assert sum(found["conversions"]) == found["samples_sent"] + sum(found["dropped"])
    assert found["made"] == pytest.approx(2 * 94 * found["seconds"], rel=1e-3)
    assert found["conversions"][2] == pytest.approx(arm_hz * found["seconds"], rel=1e-3)
    assert found["frames"] == found["frames_sent_total"]
    assert sum(found["dropped"]) > 0  # the spells without a reader did overflow the ring
    assert found["stalls"] > 0
    for counter in ("late", "no_conversion", "desync"):
        assert found[counter] == [0, 0]
    assert found["nonsense"] == 0
    wrapped = [(_FIRST_SEQUENCE + made) % (1 << 30) for made in found["conversions"]]
    assert found["sequences"] == wrapped


@pytest.mark.slow
def test_on_micropython_with_the_heap_weighed(start_program) -> None:
    seconds = _seconds(40)
    process = start_program(
        "long_run.py",
        _arguments(50, 20_000),
        calls=_calls(seconds),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    output, errors = process.communicate(timeout=60 + 2 * seconds)
    assert process.returncode == 0, errors.decode()[-2000:]
    found = json.loads(output)
    _check(found, 50)
    weighed = found["heap_bytes"]
    assert len(weighed) >= 2 * _WEIGHINGS
    assert min(weighed[-_WEIGHINGS:]) == min(weighed[:_WEIGHINGS])  # not a byte more
    assert max(weighed) - min(weighed) <= _BOUNDED_BYTES


@pytest.mark.slow
def test_on_cpython_for_longer() -> None:
    seconds = _seconds(150)
    program = (_PROGRAMS / "long_run.py").read_text()
    script = "\n".join([f"ARGUMENTS = {_arguments(200, 1)!r}", program, *_calls(seconds)])
    path = os.pathsep.join(map(str, (_ROOT / "firmware", _PROGRAMS)))
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        check=False,
        timeout=60 + seconds,
    )
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    _check(json.loads(done.stdout), 200)
