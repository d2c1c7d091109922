"""Whole calibrations by keyboard: the real program in a pseudo-terminal, on the virtual box.

The virtual weights are hung by a schedule and not by the operator, so a step is now and then
read too early.  It must then be refused, and read again with Enter, as at a real bench.
"""

from __future__ import annotations

import json
import os
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")

ROOT = Path(__file__).resolve().parents[3]
PROMPT = re.compile(r"(hang still|let go|unattended|hold it there, Enter)\. $")
RUN = (0, 20, 40, 60, 40, 20, 0)
LOADS = ("--loads", "20,20+20,20+20+20", "--class", "M1", "--latitude", "52")
PATIENCE_SECONDS = 240.0


def by_keyboard(*words: str, folder: Path, answers: tuple[str, ...] = ()) -> tuple[int, str]:
    """Run the program on a terminal, press Enter (or give the next answer) at each prompt."""
    ours, theirs = pty.openpty()
    paths = os.pathsep.join(str(ROOT / part) for part in ("host", "protocol"))
    program = subprocess.Popen(
        [sys.executable, "-m", "steelyard.cli", *words],
        stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder,
        env={**os.environ, "PYTHONPATH": paths, "PYTHONUTF8": "1", "TERM": "xterm"},
    )  # fmt: skip
    os.close(theirs)
    waiting = list(answers)
    shown, answered = "", 0
    end = time.monotonic() + PATIENCE_SECONDS
    try:
        while time.monotonic() < end:
            if not select.select([ours], [], [], 0.05)[0]:
                if program.poll() is not None:
                    break
                if PROMPT.search(shown[answered:]):
                    answered = len(shown)
                    os.write(ours, ((waiting.pop(0) if waiting else "") + "\n").encode())
                continue
            try:
                got = os.read(ours, 65536)
            except OSError:  # Linux: the other end is closed
                break
            if not got:
                break
            shown += got.decode("utf-8", "replace")
        return program.wait(timeout=20), shown
    finally:
        program.kill()
        program.wait()
        os.close(ours)


def bench(masses: tuple[float, ...], dwell: float = 15.0) -> str:
    schedule = ",".join(f"{mass:g}" for mass in masses)
    return f"sim:heron?speed=max&task=weights&masses={schedule}&dwell={dwell:g}"


def stored(folder: Path) -> dict[str, object]:
    (path,) = (folder / "calibrations").glob("*.calibration.json")
    found: dict[str, object] = json.loads(path.read_text(encoding="utf-8"))
    return found


@pytest.mark.slow
def test_force(tmp_path: Path) -> None:
    words = ("calibrate", "-p", bench(RUN), *LOADS, "--runs", "1", "--exercises", "0")
    code, shown = by_keyboard(*words, "--operator", "T-2", folder=tmp_path)
    assert code == 0, shown
    assert "Keep feet and hands clear" in shown
    assert "moving: the reading" in shown
    assert shown.count("taken: ") == 7
    assert re.search(r"one sample at full scale: 588\.\d+ ± [\d.]+ N \(k = \d\.\d\)", shown)
    assert "in force from now on" in shown
    # 2 mV/V nominal at 2000 N: 128 * 2**24 * 0.002 / 2000 = 2147 counts/N
    found = re.search(r"sensitivity: ([\d.]+) ± ([\d.]+) counts/N", shown)
    assert found is not None
    assert float(found[1]) == pytest.approx(2147.5, rel=0.01)
    assert stored(tmp_path)["schema"] == "steelyard force calibration"
    (kept,) = (tmp_path / "calibrations").glob("*.readings.json")
    assert len(json.loads(kept.read_text(encoding="utf-8"))["points"]) == 7


@pytest.mark.slow
def test_torque(tmp_path: Path) -> None:
    words = ("calibrate", "-p", bench(RUN), *LOADS, "--runs", "1", "--exercises", "0")
    code, shown = by_keyboard(*words, "--arm", "0.4", "0.0005", folder=tmp_path)
    assert code == 0, shown
    assert re.search(r"one sample at full scale: 235\.\d+ ± [\d.]+ N·m \(k = \d\.\d\)", shown)
    assert stored(tmp_path)["schema"] == "steelyard torque calibration"


@pytest.mark.slow
def test_back_and_give_up_leave_everything_as_it_was(tmp_path: Path) -> None:
    words = ("calibrate", "-p", bench((0, 0, 0), dwell=60), *LOADS, "--exercises", "0")
    code, shown = by_keyboard(*words, folder=tmp_path, answers=("", "b", "", "q"))
    assert code == 1
    assert shown.count("taken: ") == 2
    assert shown.count("[1/") == 2
    assert "Given up after 1 of" in shown
    assert "Traceback" not in shown
    assert not (tmp_path / "calibrations").exists()
