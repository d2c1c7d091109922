"""Every example that follows the live stream, against one `steelyard publish` for all."""

from __future__ import annotations

import importlib.util
import itertools
import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from end_to_end.test_examples import EXAMPLES, FIXTURE, node_program, python
from host.publish.paced_boxes import PacedBoxes
from host.publish.test_frames_and_text import force
from host.publish.test_mqtt import PROGRAM, Mosquitto
from steelyard.calibration import Binding, save_calibration
from steelyard.catalogue.archive import write_columns
from steelyard.catalogue.facts import read_facts
from steelyard.recording.reader import read_recording

BOX = "e661000000000000"
HAS_LSL = importlib.util.find_spec("pylsl") is not None
ENVIRONMENT = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "PYTHONUNBUFFERED": "1"}


@pytest.fixture(scope="module")
def doors(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Any]]:
    """Where a broker serves a box with a calibrated load channel; ``mqtt`` where there is one."""
    folder = tmp_path_factory.mktemp("live")
    calibration = save_calibration(force(bound_to=Binding(BOX, 0, "SN-0", 128, "0.1.0")), folder)
    boxes = PacedBoxes(1, 300, 0.005)
    words = ["--lines", "0", "--websocket", "0", "--site", "saltmarsh", "--json"]
    words += ["--calibration", str(calibration), "--port", f"socket://127.0.0.1:{boxes.numbers[0]}"]
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = int(taken.getsockname()[1])
    mosquitto = Mosquitto(folder, number) if PROGRAM is not None else None
    words += ["--mqtt", f"mqtt://127.0.0.1:{number}"] if mosquitto else []
    words += ["--lsl"] if HAS_LSL else []
    command = [sys.executable, "-m", "steelyard.cli", "publish", *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=ENVIRONMENT) as broker:
        try:
            assert broker.stdout is not None
            yield {**json.loads(broker.stdout.readline()), "mqtt_number": number}
        finally:
            broker.terminate()
            broker.wait()
            if mosquitto is not None:
                mosquitto.stop()
            boxes.close()


def lines_of(command: list[str], count: int = 100) -> list[list[str]]:
    """The first lines that an example prints, as words."""
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=ENVIRONMENT) as example:
        assert example.stdout is not None
        try:
            return [line.split() for line in itertools.islice(example.stdout, count)]
        finally:
            example.kill()


def python_lines(name: str, *words: object) -> list[list[str]]:
    return lines_of([sys.executable, str(EXAMPLES / "python" / name), *map(str, words)])


def follow_each_other(lines: list[list[str]], place: int) -> bool:
    numbers = [int(line[place]) for line in lines]
    return numbers == list(range(numbers[0], numbers[0] + 100))


def url(doors: dict[str, Any], path: str) -> str:
    host, number = doors["websocket"]
    return f"ws://{host}:{number}/{path}"


def test_json_lines(doors: dict[str, Any]) -> None:
    lines = python_lines("live_lines.py", *doors["lines"])
    assert follow_each_other(lines, 1)
    assert all(1000 <= int(line[2]) <= 6000 for line in lines)


def test_values_by_websocket(doors: dict[str, Any]) -> None:
    lines = python_lines("live_values.py", url(doors, "json"))
    assert len(lines) == 100
    for value, sign, expanded, *rest in lines:
        assert (sign, rest) == ("±", ["N", "(k", "=", "2)"])
        assert float(expanded) > 0
        assert value


def test_frames_by_websocket(doors: dict[str, Any]) -> None:
    assert follow_each_other(python_lines("live_frames.py", url(doors, "wire")), 1)


def test_javascript_by_websocket(doors: dict[str, Any]) -> None:
    program = EXAMPLES / "javascript" / "live_page.mjs"
    lines = lines_of([str(node_program()), str(program), url(doors, "json")])
    assert follow_each_other(lines, 1)
    assert all("." in line[2] for line in lines), "newtons, not counts"


@pytest.mark.skipif(PROGRAM is None, reason="mosquitto is not installed")
def test_sites_by_mqtt(doors: dict[str, Any]) -> None:
    lines = python_lines("live_sites.py", "127.0.0.1", doors["mqtt_number"])
    assert {tuple(line[:2]) for line in lines} == {("saltmarsh", BOX)}
    assert lines[0][2] == "True"
    assert all(int(line[2]) > 0 for line in lines[1:])


@pytest.mark.skipif(not HAS_LSL, reason="pylsl is not installed")
@pytest.mark.usefixtures("doors")
def test_lsl() -> None:
    lines = python_lines("live_lsl.py")
    if not lines:
        pytest.skip("LSL streams are not found here (no multicast)")
    moments = [float(line[0]) for line in lines]
    assert moments == sorted(moments)
    assert all(float(line[2]) > 0 and line[4] == "1.0" for line in lines)


def test_many_recordings(tmp_path: Path) -> None:
    write_columns(read_facts(FIXTURE), "saltmarsh", tmp_path)
    whole = read_recording(FIXTURE)
    rows = [line.split() for line in python("many_recordings.py", tmp_path).splitlines()]
    assert [row[0] for row in rows] == ["saltmarsh"] * len(whole.loads)
    assert [row[3:5] for row in rows] == [
        [str(channel), str(len(load))] for channel, load in whole.loads.items()
    ]
