"""Millions of hostile inputs: an answer or a plain error, no hang, bounded memory.

``STEELYARD_HOSTILE=10000000`` for the full run.  Of every 2000 inputs 1979 go to
the streaming decoder, 20 to streaming and bulk decoder side by side, and one to
validator, reader, span and overview as a whole file.
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from host.recording.hostile_inputs import (
    HostileSource,
    check_decoders_agree,
    check_file,
    check_stream,
    fuzz_bytes,
)
from host.recording.ideal_box import RecordingMaker
from hypothesis import given, settings
from hypothesis import strategies as st
from steelyard.recording.file_format import Subject, new_header
from steelyard.transport.port import WallClock
from steelyard_protocol import codec

HOSTILE = int(os.environ.get("STEELYARD_HOSTILE", "60000"))
SEED = int(os.environ.get("STEELYARD_HOSTILE_SEED", "1"))
FUZZ_RUNS = int(os.environ.get("STEELYARD_FUZZ_RUNS", "250"))
KEPT = sorted((Path(__file__).parents[2] / "fixtures" / "hostile").glob("*.bin"))
HANG_SECONDS = 5.0
"""Of the processor, so that a computer that pauses the process is not taken for a hang."""
MEMORY_MB = 64


def resident_mb() -> float:
    status = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in status if line.startswith("VmRSS")) / 1e3


@pytest.fixture(scope="module")
def header() -> bytes:
    return codec.encode(new_header(Subject(), WallClock()))


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads its memory from /proc")
def test_many_hostile_inputs(tmp_path: Path, header: bytes) -> None:
    source = HostileSource(SEED)
    path = tmp_path / "hostile.steelyard"
    longest, events, at_first = 0.0, 0, 0.0
    for number in range(HOSTILE):
        begun = time.process_time()
        if number % 2000 == 1999:
            check_file(path, header + source.stream(20))
        elif number % 100 == 99:
            check_decoders_agree(source.stream(5))
        else:
            events += check_stream(source.stream(2))
        longest = max(longest, time.process_time() - begun)
        if number == min(20_000, HOSTILE // 2):
            at_first = resident_mb()
    grown = resident_mb() - at_first
    print(f"\n{HOSTILE} inputs, {events} events, longest {longest:.3f} s, grown {grown:.1f} MB")
    assert events > HOSTILE
    assert longest < HANG_SECONDS
    assert grown < MEMORY_MB


@settings(max_examples=150, deadline=None)
@given(data=st.binary(max_size=600))
def test_frames_made_of_any_bytes(
    tmp_path_factory: pytest.TempPathFactory, header: bytes, data: bytes
) -> None:
    made = fuzz_bytes(data)
    check_stream(data)
    check_decoders_agree(made)
    check_file(tmp_path_factory.getbasetemp() / "made.steelyard", header + made)


@settings(max_examples=60, deadline=None)
@given(
    edits=st.lists(
        st.tuples(st.integers(0, 20_000), st.integers(0, 300), st.binary(max_size=40)), max_size=5
    )
)
def test_a_real_recording_damaged_anywhere(
    tmp_path_factory: pytest.TempPathFactory, edits: list[tuple[int, int, bytes]]
) -> None:
    folder = tmp_path_factory.getbasetemp()
    whole = folder / "made-1.steelyard"
    if not whole.exists():
        RecordingMaker(folder).seconds(1)
    data = whole.read_bytes()
    for start, length, replacement in edits:
        start %= len(data) + 1  # noqa: PLW2901
        data = data[:start] + replacement + data[start + length :]
    check_decoders_agree(data)
    check_file(folder / "damaged.steelyard", data)


@pytest.mark.parametrize("case", KEPT, ids=lambda path: path.stem)
def test_findings_stay_fixed(case: Path, tmp_path: Path, header: bytes) -> None:
    data = case.read_bytes()
    made = fuzz_bytes(data)
    check_stream(data)
    check_decoders_agree(made)
    check_file(tmp_path / "kept.steelyard", header + made)


@pytest.mark.slow
@pytest.mark.skipif(importlib.util.find_spec("atheris") is None, reason="atheris is for Linux")
def test_a_coverage_guided_fuzzer_finds_nothing(tmp_path: Path) -> None:
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    vectors = Path(__file__).parents[3] / "protocol" / "vectors"
    (corpus / "streams").write_bytes((vectors / "streams.json").read_bytes()[:500])
    program = Path(__file__).with_name("fuzz_recordings.py")
    limits = [f"-runs={FUZZ_RUNS}", "-timeout=20", "-rss_limit_mb=2048", "-max_len=1500"]
    answer = subprocess.run(
        [sys.executable, str(program), str(corpus), *limits, "-seed=1"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert answer.returncode == 0, answer.stderr[-3000:]
    assert f"Done {FUZZ_RUNS}" in answer.stderr
    assert not list(tmp_path.glob("crash-*"))
