"""Calibrations in the box from the command line; the virtual box's flash is a folder."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_line import run
from host.cli.test_calibration_commands import rows, write


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a calibration for channel 0 of the virtual box, which knows its sensor."""
    folder = tmp_path_factory.mktemp("practice")
    box = json.loads(run("find", port(folder), "--json", folder=folder).stdout)
    box_id = box[0]["box_id"] if isinstance(box, list) else box["boxes"][0]["box_id"]
    words = ("setting", "sensor_serial", "LC-0042", "--channel", "0", "-p", port(folder))
    assert run(*words, folder=folder).returncode == 0
    table = write(folder / "first.csv", rows())
    words = ("calibrate", "--readings", str(table), "--box-id", box_id, "--sensor", "LC-0042")
    done = run(*words, "--gravity", "9.81", folder=folder)
    assert done.returncode == 0, done.stderr
    return folder


def port(folder: Path, seed: int = 1) -> str:
    return f"sim:heron?speed=max&task=weights&seed={seed}&flash={folder / 'flash'}"


def calibration(folder: Path) -> Path:
    (path,) = (folder / "calibrations").glob("*.calibration.json")
    return path


def test_in_and_out_and_gone(practice: Path, tmp_path: Path) -> None:
    where = ("keep", "-p", port(practice))
    assert "keeps nothing" in run(*where, folder=practice).stdout
    put = run(*where, "put", str(calibration(practice)), folder=practice)
    assert put.returncode == 0, put.stderr
    listed = json.loads(run(*where, "--json", folder=practice).stdout)["kept"]
    assert [(item["channel"], item["kind"], item["problem"]) for item in listed] == [
        (0, "calibration", None)
    ]
    assert listed[0]["bytes"] == calibration(practice).stat().st_size
    taken = run(*where, "take", str(tmp_path / "elsewhere"), folder=practice)
    assert taken.returncode == 0, taken.stderr
    (copy,) = (tmp_path / "elsewhere").iterdir()
    assert copy.name == calibration(practice).name
    assert copy.read_bytes() == calibration(practice).read_bytes()
    assert "keeps nothing" in run(*where, "forget", "--channel", "0", folder=practice).stdout
    assert "keeps no calibration" in run(*where, "take", "x", folder=practice).stdout


def test_what_does_not_belong_is_refused_before_anything_is_written(practice: Path) -> None:
    flash = practice / "flash"
    before = {path.name: path.read_bytes() for path in flash.iterdir()}
    other_box = run(
        "keep", "-p", port(practice, seed=2), "put", str(calibration(practice)), folder=practice
    )
    assert other_box.returncode == 1
    assert "box" in other_box.stderr
    edited = practice / "edited.calibration.json"
    edited.write_text(calibration(practice).read_text().replace("LC-0042", "LC-0043"))
    done = run("keep", "-p", port(practice), "put", str(edited), folder=practice)
    assert done.returncode == 1
    assert "changed after it was made" in done.stderr
    assert "Traceback" not in done.stderr + other_box.stderr
    assert {path.name: path.read_bytes() for path in flash.iterdir()} == before


def test_a_calibration_of_a_sensor_that_is_gone_stays_in_the_box(
    practice: Path, tmp_path: Path
) -> None:
    where = ("keep", "-p", port(practice))
    assert run(*where, "put", str(calibration(practice)), folder=practice).returncode == 0
    serial = ("setting", "sensor_serial", "LC-0099", "--channel", "0", "-p", port(practice))
    assert run(*serial, folder=practice).returncode == 0
    assert "NOT FOR USE" in run(*where, folder=practice).stdout
    taken = run(*where, "take", str(tmp_path / "out"), folder=practice)
    assert taken.returncode == 1
    assert "LC-0099" in taken.stderr
    assert not (tmp_path / "out").exists()
