"""``steelyard angle`` without a keyboard: from files, and what it refuses."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from command_line import run
from steelyard.calibration.calibration_file import load_angle_calibration
from steelyard.calibration.history import Act
from steelyard.calibration.register import Register

BOX_ID = "0011223344556677"
BOX = ("--box-id", BOX_ID, "--channel", "2", "--sensor", "AM-0007")
ENCODER = (*BOX, "--counts-per-turn", "4096")
TRACK = (*BOX, "--counts-per-turn", "0")
ECCENTRICITY = 1.3
TURN = 4096.0


def magnet(angle: float) -> float:
    """Counts of a magnet glued off its axis, whose zero lies within the range."""
    turned = angle + 350.0
    return (turned + ECCENTRICITY * math.sin(math.radians(turned - 40.0))) * TURN / 360.0 % TURN


def track(angle: float) -> float:
    """A potentiometer that is not straight: 6° of bow at its ends."""
    return 30_000.0 + 210.0 * (angle + 6.0 * (angle / 45.0) ** 2)


def table(folder: Path, counts: dict[float, float], name: str = "at.csv") -> Path:
    lines = [f"{angle:g},{value:.2f}" for angle, value in counts.items()]
    path = folder / name
    path.write_text("\n".join(["angle_degrees,counts_mean", *lines]) + "\n", encoding="utf-8")
    return path


def in_force(folder: Path) -> Path:
    register = Register(folder / "calibrations", BOX_ID, 2)
    calibration = register.in_force()
    assert calibration is not None
    name = f"{BOX_ID}-ch2-{calibration.calibration_id[:12]}.calibration.json"
    return folder / "calibrations" / name


def test_a_magnet_off_its_axis_over_its_whole_turn(tmp_path: Path) -> None:
    file = table(tmp_path, {float(at): magnet(at) for at in range(-150, 151, 30)})
    done = run("angle", "--readings", str(file), *ENCODER, "--operator", "T-2", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "11 positions" in done.stdout
    made = load_angle_calibration(in_force(tmp_path))
    # the sine of the angle and that of the counts differ in second order: 1.3° · 1.3° / 57.3°
    assert made.eccentricity_degrees == pytest.approx(ECCENTRICITY, abs=0.03)
    angles = np.linspace(-149.0, 149.0, 400)
    read = made.angle([magnet(angle) for angle in angles])
    off = np.abs(read.angle_degrees - angles)
    assert off.max() < 0.05
    assert (off < 2.0 * read.standard_uncertainty_degrees).all()
    assert np.abs(np.diff(read.angle_degrees)).max() < 1.0  # no jump at the sensor's zero


def test_a_bowed_potentiometer_wants_a_table_and_gets_one(tmp_path: Path) -> None:
    file = table(tmp_path, {float(at): track(at) for at in range(-45, 46, 10)})
    line = run("angle", "--readings", str(file), *TRACK, folder=tmp_path)
    assert line.returncode == 1
    assert "ask for a table" in line.stderr
    assert "Nothing was stored" in line.stderr
    done = run("angle", "--readings", str(file), *TRACK, "--table", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "table of 10 rows" in done.stdout
    made = load_angle_calibration(in_force(tmp_path))
    assert made.angle([track(17.3)]).angle_degrees[0] == pytest.approx(17.3, abs=0.3)


@pytest.mark.parametrize("more", [(), ("--table",)])
def test_a_track_that_ends_within_the_range_is_said(tmp_path: Path, more: tuple[str, ...]) -> None:
    counts = {float(at): (50_000.0 + 218.0 * at) % 65_536.0 for at in range(0, 120, 15)}
    done = run("angle", "--readings", str(table(tmp_path, counts)), *TRACK, *more, folder=tmp_path)
    assert done.returncode == 1
    assert "Between 60° (63080 counts) and 75° (814 counts)" in done.stderr
    assert "end of its track" in done.stderr


def test_a_refusal_leaves_the_old_one_in_force_and_a_change_says_what_it_said(
    tmp_path: Path,
) -> None:
    first = table(tmp_path, {0.0: 500.0, 30.0: 841.3, 60.0: 1182.7})
    done = run("angle", "--readings", str(first), *ENCODER, folder=tmp_path)
    assert done.returncode == 0, done.stderr
    before = in_force(tmp_path)
    contents = {path: path.read_bytes() for path in (tmp_path / "calibrations").iterdir()}
    for spoilt, said in (
        ({0.0: 500.0, 45.0: 841.3, 60.0: 1182.7}, "Position 2 (45°)"),
        ({0.0: 500.0}, "cannot give the direction"),
        ({0.0: 500.0, 3.0: 534.0}, "over 3.0°"),
    ):
        bad = table(tmp_path, spoilt, "bad.csv")
        refused = run("angle", "--readings", str(bad), *ENCODER, folder=tmp_path)
        assert refused.returncode == 1
        assert said in refused.stderr
        assert "stays in force" in refused.stderr
        assert contents == {path: path.read_bytes() for path in contents}
    moved = table(tmp_path, {0.0: 511.4, 30.0: 852.7, 60.0: 1194.1})
    again = run("angle", "--readings", str(moved), *ENCODER, folder=tmp_path)
    assert again.returncode == 0, again.stderr
    assert "as found, with calibration" in again.stdout
    assert "0 of 3 positions within the uncertainty, largest error +1.00°" in again.stdout
    assert in_force(tmp_path) != before
    acts = [entry.act for entry in Register(tmp_path / "calibrations", BOX_ID, 2).history().entries]
    assert acts == [Act.IN_FORCE, Act.AS_FOUND, Act.IN_FORCE]
    told = run("history", folder=tmp_path).stdout
    assert "as found: 3 positions, largest error +1.00°" in told


def test_positions_of_another_channel_are_refused(tmp_path: Path) -> None:
    box = {"box_id": BOX_ID, "channel": 3, "sensor_serial": "", "gain": 1, "firmware": "1.0.0"}
    positions = [{"angle_degrees": 10.0 * n, "counts_mean": 114.0 * n} for n in range(3)]
    path = tmp_path / "x.json"
    path.write_text(json.dumps({"positions": positions, "counts_per_turn": 4096, "box": box}))
    done = run("angle", "--readings", str(path), *BOX, folder=tmp_path)
    assert done.returncode == 1
    assert "channel 3 (here: 2)" in done.stderr
    own = run("angle", "--readings", str(path), folder=tmp_path)
    assert own.returncode == 0, own.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "give --at"),
        (("--readings", "x.csv", "--continue", "y.json"), "either --readings or --continue"),
        (("--at", "0;30"), "'0;30'"),
    ],
)
def test_options_that_do_not_go_together(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    done = run("angle", *words, folder=tmp_path)
    assert done.returncode == 2
    assert said in done.stderr


def test_a_sensor_of_unknown_kind_is_asked_for(tmp_path: Path) -> None:
    file = table(tmp_path, {0.0: 500.0, 30.0: 841.3})
    done = run("angle", "--readings", str(file), *BOX, folder=tmp_path)
    assert done.returncode == 1
    assert "--counts-per-turn" in done.stderr


def test_an_arm_that_is_not_moved_is_asked_for_again(tmp_path: Path) -> None:
    port = "sim:heron?speed=max&task=rest"
    words = ("angle", "-p", port, "--at", "0,30", "--operator", "T-2")
    done = run(*words, given="\n\n", folder=tmp_path)
    # the arm of the virtual machine stands still: asked for again until the operator gives up
    assert done.returncode == 130
    assert "Traceback" not in done.stderr
    assert "The sensor turned by 0.0° since the position before, where 30° was asked" in done.stdout
    assert "steelyard setting sensor_serial SERIAL --channel 2" in done.stderr
    assert "1 positions kept as" in done.stderr
    assert [path.suffixes[-2:] for path in (tmp_path / "calibrations").iterdir()] == [
        [".positions", ".json"]
    ]
