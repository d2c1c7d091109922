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
from command_line import environment
from steelyard.calibration import (
    ForceCalibration,
    TorqueCalibration,
    load_any_calibration,
    read_readings,
)
from steelyard.calibration.calibration_file import load_angle_calibration
from steelyard.simulator.options import WorldOptions

pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")

PROMPT = re.compile(r"(hang still|let go|unattended|hold it there, Enter|gives up\))\. $")
RUN = (0, 20, 40, 60, 40, 20, 0)
LOADS = ("--loads", "20,20+20,20+20+20", "--class", "M1", "--latitude", "52")
INTERRUPT = "Ctrl-C"
PATIENCE_SECONDS = 120.0


def by_keyboard(
    *words: str,
    folder: Path,
    answers: tuple[str, ...] = (),
    stop_after: int = 1000,
    patience: float = PATIENCE_SECONDS,
) -> tuple[int, str]:
    """Run the program on a terminal, press Enter (or give the next answer) at each prompt.

    ``stop_after``: Ctrl-C at the first prompt when so many readings have been taken.
    """
    ours, theirs = pty.openpty()
    program = subprocess.Popen(
        [sys.executable, "-m", "steelyard.cli", *words],
        stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder,
        env={**environment(), "TERM": "xterm"},
    )  # fmt: skip
    os.close(theirs)
    waiting = list(answers)
    shown, answered = "", 0
    end = time.monotonic() + patience
    try:
        while time.monotonic() < end:
            if not select.select([ours], [], [], 0.05)[0]:
                if program.poll() is not None:
                    break
                if PROMPT.search(shown[answered:]):
                    answered = len(shown)
                    answer = waiting.pop(0) if waiting else ""
                    if shown.count("taken: ") >= stop_after:
                        answer = INTERRUPT
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
def test_force_and_torque(tmp_path: Path) -> None:
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
    # the same weights, hung on the arm: what was kept makes a torque calibration
    again = ("calibrate", "--readings", f"calibrations/{kept.name}", "--folder", "torque")
    code, shown = by_keyboard(*again, "--arm", "0.4", "0.0005", folder=tmp_path)
    assert code == 0, shown
    assert re.search(r"one sample at full scale: 235\.\d+ ± [\d.]+ N·m \(k = \d\.\d\)", shown)
    (path,) = (tmp_path / "torque").glob("*.calibration.json")
    assert isinstance(load_any_calibration(path), TorqueCalibration)


@pytest.mark.slow
def test_angles_that_broke_off_are_gone_on_with(tmp_path: Path) -> None:
    """The arm of a machine with two thirds of a turn, past the zero of its sensor.

    After three positions Ctrl-C; the rest is asked for later; the world's own offset,
    direction and eccentricity come out.
    """
    angles = ("-125", "-95", "-65", "-35", "-5", "25", "55", "85")
    wanted = ("angle", "--at=" + ",".join(angles))

    def port(some: tuple[str, ...]) -> tuple[str, str]:
        schedule = f"task=angles&travel=-130:100&angles={','.join(some)}&dwell=4"
        return "-p", f"sim:heron?speed=max&{schedule}"

    code, shown = by_keyboard(*wanted, *port(angles), folder=tmp_path, stop_after=3)
    assert code == 130
    assert "Keep hands and feet clear of the arm" in shown
    assert "where 30° was asked" in shown  # Enter pressed before the arm was moved on
    (kept,) = (tmp_path / "calibrations").glob("*.positions.json")
    assert "3 positions kept as" in shown
    with_rest = (*wanted, *port(angles[3:]), "--continue", f"calibrations/{kept.name}")
    code, shown = by_keyboard(*with_rest, folder=tmp_path)
    assert code == 0, shown
    assert "Set the arm to -35°" in shown
    assert "Set the arm to -65°" not in shown
    assert "8 positions kept as" in shown
    made = load_angle_calibration(next((tmp_path / "calibrations").glob("*.calibration.json")))
    world = WorldOptions().machine
    assert made.eccentricity_degrees == pytest.approx(world.shaft_eccentricity_degrees, abs=0.03)
    for angle in (-120.0, -50.0, 0.0, 30.0, 80.0):
        turned = angle + world.shaft_offset_degrees
        turned += world.shaft_eccentricity_degrees * math.sin(math.radians(turned))
        read = made.angle([turned * 4096.0 / 360.0 % 4096.0])
        assert float(read.angle_degrees[0]) == pytest.approx(angle, abs=0.1)


@pytest.mark.slow
def test_a_potentiometer_is_not_taken_for_its_data_sheet(tmp_path: Path) -> None:
    """Angles are known by a bow of twice the track's degrees: the scale found is the true one."""
    track = (20, 60, 100, 140, 180)
    schedule = ",".join(str(at) for at in track)
    port = f"sim:heron?speed=max&task=roller&angles={schedule}&dwell=4"
    at = "--at=" + ",".join(str(2 * angle - 250) for angle in track)
    code, shown = by_keyboard("angle", "-p", port, "--channel", "3", at, "--table", folder=tmp_path)
    assert code == 0, shown
    assert "Set the roller to -210°" in shown
    assert "It moved by" in shown
    assert "table of 5 rows" in shown
    made = load_angle_calibration(next((tmp_path / "calibrations").glob("*.calibration.json")))
    assert made.counts_per_turn == 0
    read = made.angle([120.0 / 300.0 * 65535.0])
    assert float(read.angle_degrees[0]) == pytest.approx(2 * 120 - 250, abs=0.3)


@pytest.mark.slow
@pytest.mark.parametrize("how", ["Ctrl-C", "unplugged"])
def test_a_check_of_several_loads_that_broke_off_is_kept(tmp_path: Path, how: str) -> None:
    words = ("daycheck", "--as-found", *LOADS[:4])
    port, stop = (bench(RUN), 3) if how == "Ctrl-C" else (f"{bench(RUN)}&faults=unplug@50", 1000)
    code, shown = by_keyboard(*words, "-p", port, folder=tmp_path, stop_after=stop)
    assert code == (130 if how == "Ctrl-C" else 1)
    assert "Traceback" not in shown
    (kept,) = (tmp_path / "calibrations").glob("*.readings.json")
    points = read_readings(kept).points
    assert len(points) == 3
    assert f"3 readings kept as calibrations/{kept.name}" in shown.replace("\r\n", "\n")
    assert [point.mass_kg for point in points] == [0.0, 20.0, 40.0]


@pytest.mark.long
def test_creep_of_half_an_hour(tmp_path: Path) -> None:
    """30 minutes of the box's own time; how the load crept comes out as the cell has it."""
    held = bench((*RUN, RUN[3]))
    words = ("calibrate", "-p", held, *LOADS, "--runs", "1", "--exercises", "0")
    code, shown = by_keyboard(*words, "--creep-minutes", "30", folder=tmp_path, patience=900.0)
    assert code == 0, shown
    assert "for 30 minutes. Do not leave it unattended" in shown
    assert "held for 29:" in shown
    assert "no creep test" not in shown
    found = re.search(r"creep over 30 min: ([\d.]+) %", shown)
    assert found is not None
    # the cell's creep is 0.023 % of the load; its zero may wander as much in that time
    assert 0.01 < float(found[1]) < 0.05


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
