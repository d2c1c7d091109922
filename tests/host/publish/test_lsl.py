"""LSL through pylsl, in a process of its own: its threads outlive every test."""

from __future__ import annotations

import importlib.util
import itertools
import json
import subprocess
import sys

import pytest
from command_line import environment

PROGRAM = """
import asyncio, json, sys, time
try:
    import pylsl
except (ImportError, RuntimeError) as error:
    print(json.dumps({"skip": str(error)}))
    sys.exit()
from host.publish.paced_boxes import PacedBoxes
from steelyard.publish import Broker, BoxSource, Servers
from steelyard.publish.lsl import LslPublisher

async def main(box):
    source = BoxSource(f"socket://127.0.0.1:{box.numbers[0]}", machine="Heron")
    publishers = [lambda _: LslPublisher()]
    async with Broker(source, Servers(line_port=None, socket_port=None), publishers):
        wanted = f"source_id='steelyard-e661000000000000-0'"
        found = await asyncio.to_thread(pylsl.resolve_bypred, wanted, 1, 6.0)
        if not found:
            return {"skip": "LSL streams are not found here (no multicast)"}
        inlet = pylsl.StreamInlet(found[0])
        info = await asyncio.to_thread(inlet.info, 60.0)
        rows, ages = [], []
        while len(rows) < 100:
            row, stamp = await asyncio.to_thread(inlet.pull_sample, 60.0)
            rows.append(row)
            ages.append(pylsl.local_clock() - stamp)
        inlet.close_stream()
        return {"name": info.name(), "type": info.type(), "rows": rows, "ages": ages,
                "xml": info.as_xml()}

box = PacedBoxes(1, 300, 0.005)
try:
    print(json.dumps(asyncio.run(main(box))))
finally:
    box.close()
"""


def run(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env=environment(),
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.skipif(importlib.util.find_spec("pylsl") is None, reason="pylsl is not installed")
def test_samples_arrive_with_their_own_times() -> None:
    result = json.loads(run(PROGRAM).splitlines()[-1])
    if "skip" in result:
        pytest.skip(result["skip"])
    assert result["name"] == "steelyard Heron load 0"
    assert result["type"] == "load"
    counts = [row[2] for row in result["rows"]]
    steps = [later - earlier for earlier, later in itertools.pairwise(counts)]
    assert steps.count(1.0) > 90
    assert all(row[3] == 1.0 for row in result["rows"])
    ages = sorted(result["ages"])
    assert -0.01 < ages[len(ages) // 2] < 5.0
    assert "<label>standard uncertainty</label>" in result["xml"]
    assert "<schema_version>1.1</schema_version>" in result["xml"]


def test_without_the_library_it_is_named() -> None:
    code = """
import sys
sys.modules["pylsl"] = None
from steelyard.errors import MissingExtraError
try:
    import steelyard.publish.lsl
except MissingExtraError as error:
    print(error)
"""
    assert "steelyard[lsl]" in run(code)
