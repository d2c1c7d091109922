"""Whole calibrations by keyboard: the real program in a pseudo-terminal, on the virtual box.

The virtual weights are hung by a schedule and not by the operator, so a step is now and then
read too early.  It must then be refused, and read again with Enter, as at a real bench.
"""

from __future__ import annotations

import json
import math
import os
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from steelyard.calibration import ForceCalibration, load_any_calibration, read_readings
from steelyard.calibration.calibration_file import load_angle_calibration
from steelyard.simulator.options import WorldOptions

pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")

ROOT = Path(__file__).resolve().parents[3]
PROMPT = re.compile(r"(hang still|let go|unattended|hold it there, Enter|gives up\))\. $")
RUN = (0, 20, 40, 60, 40, 20, 0)
LOADS = ("--loads", "20,20+20,20+20+20", "--class", "M1", "--latitude", "52")
INTERRUPT = "Ctrl-C"
PATIENCE_SECONDS = 120.0


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
                    answer = waiting.pop(0) if waiting else ""
                    if answer == INTERRUPT:
                        program.send_signal(signal.SIGINT)
                    else:
                        os.write(ours, (answer + "\n").encode())
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
def test_angle(tmp_path: Path) -> None:
    """The arm set to five angles; the world's own offset, direction and eccentricity come out."""
    angles = (-12, 6, 24, 42, 60)
    schedule = ",".join(str(angle) for angle in angles)
    port = f"sim:heron?speed=max&task=angles&angles={schedule}&dwell=4"
    code, shown = by_keyboard("angle", "-p", port, "--at", schedule, folder=tmp_path)
    assert code == 0, shown
    assert "Keep hands and feet clear of the arm" in shown
    assert "where 18° was asked" in shown  # Enter pressed before the arm was moved on
    assert shown.count("taken: ") == 5
    assert "in force from now on" in shown
    made = load_angle_calibration(next((tmp_path / "calibrations").glob("*.calibration.json")))
    world = WorldOptions().machine
    for angle in (-12.0, 0.0, 30.0, 60.0):
        turned = angle + world.shaft_offset_degrees
        turned += world.shaft_eccentricity_degrees * math.sin(math.radians(turned))
        read = made.angle([turned * 4096.0 / 360.0 % 4096.0])
        error = (float(read.angle_degrees[0]) - angle + 180.0) % 360.0 - 180.0
        assert abs(error) < 2.0 * float(read.standard_uncertainty_degrees[0])
        assert abs(error) < 0.5


@pytest.mark.slow
def test_back_and_give_up_leave_everything_as_it_was(tmp_path: Path) -> None:
    words = ("calibrate", "-p", bench((0, 0, 0), dwell=60), *LOADS, "--exercises", "0")
    code, shown = by_keyboard(*words, folder=tmp_path, answers=("", "b", "", "q"))
    assert code == 1
    assert shown.count("taken: ") == 2
    assert shown.count("[1/") == 2
    assert "Given up after 1 of" in shown
    assert "1 readings kept as" in shown
    assert "Traceback" not in shown
    assert [path.suffixes[-2] for path in (tmp_path / "calibrations").iterdir()] == [".readings"]


@pytest.mark.slow
def test_ctrl_c_keeps_what_was_read(tmp_path: Path) -> None:
    words = ("calibrate", "-p", bench((0, 0, 0), dwell=60), *LOADS, "--exercises", "0")
    code, shown = by_keyboard(*words, folder=tmp_path, answers=("", INTERRUPT))
    assert code == 130
    assert "Traceback" not in shown
    (kept,) = (tmp_path / "calibrations").glob("*.readings.json")
    assert f"1 readings kept as calibrations/{kept.name}" in shown.replace("\r\n", "\n")
    assert len(read_readings(kept).points) == 1


@pytest.mark.slow
def test_an_unplugged_box_keeps_the_first_run_to_go_on_with(tmp_path: Path) -> None:
    """The cable is pulled in the second of two runs; the next day's run finishes the work."""
    asked = ("calibrate", *LOADS, "--runs", "2", "--exercises", "0")
    pulled = f"{bench(RUN + RUN[1:3])}&faults=unplug@125"
    code, shown = by_keyboard(*asked, "-p", pulled, folder=tmp_path)
    assert code == 1
    assert "Traceback" not in shown
    (kept,) = (tmp_path / "calibrations").glob("*.readings.json")
    points = read_readings(kept).points
    assert len(points) > 7
    assert f"{len(points)} readings kept as" in shown
    words = (*asked, "-p", bench(RUN), "--continue", f"calibrations/{kept.name}")
    code, shown = by_keyboard(*words, folder=tmp_path)
    assert code == 0, shown
    assert "7 readings of 1 complete runs count" in shown
    assert shown.count("taken: ") == 7
    made = load_any_calibration(next((tmp_path / "calibrations").glob("*.calibration.json")))
    assert isinstance(made, ForceCalibration)
    assert made.points[:7] == points[:7]
    assert [point.run for point in made.points] == [1] * 7 + [2] * 7
