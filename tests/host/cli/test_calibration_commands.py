"""Calibrating from the command line: torque, life of a calibration, refusals, certificate."""

from __future__ import annotations

import csv
import json
import shutil
import statistics
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from command_line import run

BOX = ("--box-id", "0011223344556677", "--sensor", "LC-0042")
LOADS = (0, 20, 40, 60, 80, 100, 80, 60, 40, 20, 0)

Row = list[str | float]


def rows(runs: int = 3, gain: float = 1.0) -> list[Row]:
    """Readings as a technician would list them; counts with a small fixed wobble."""
    made: list[Row] = []
    for number in range(1, runs + 1):
        for index, mass in enumerate(LOADS):
            wobble = 9.0 * ((7 * index + 3 * number) % 5 - 2)
            counts = 41_000.0 + 812.5 * gain * 9.81 * mass + wobble
            made.append([number, "up" if index < 6 else "down", float(mass), counts, 3.0, 240])
    return made


def write(path: Path, listed: list[Row]) -> Path:
    header = "run,direction,mass_kg,counts_mean,counts_standard_error,sample_count"
    lines = [",".join(str(cell) for cell in row) for row in listed]
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def first_calibration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("first")
    table = write(folder / "first.csv", rows())
    done = run("calibrate", "--readings", str(table), *BOX, "--gravity", "9.81", folder=folder)
    assert done.returncode == 0, done.stderr
    assert "in force from now on" in done.stdout
    return folder


@pytest.fixture
def calibrated(first_calibration: Path, tmp_path: Path) -> Path:
    """A folder of its own with a calibration in force."""
    return Path(shutil.copytree(first_calibration, tmp_path / "practice"))


def in_force(folder: Path) -> str:
    done = run("history", "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    found: str = json.loads(done.stdout)[0]["in_force"]
    return found


def each(change: Callable[[Row], None]) -> Callable[[list[Row]], list[Row]]:
    def changed(listed: list[Row]) -> list[Row]:
        for row in listed:
            change(row)
        return listed

    return changed


def cell(index: int, column: int, value: float) -> Callable[[list[Row]], list[Row]]:
    def changed(listed: list[Row]) -> list[Row]:
        listed[index][column] = value
        return listed

    return changed


def add(column: int, value: float, when: Callable[[int, Row], bool]) -> Callable[..., list[Row]]:
    def changed(listed: list[Row]) -> list[Row]:
        for index, row in enumerate(listed):
            if when(index, row):
                row[column] = float(row[column]) + value
        return listed

    return changed


def times(column: int, factor: float, only_run: int = 0) -> Callable[[list[Row]], list[Row]]:
    def change(row: Row) -> None:
        if only_run in (0, row[0]):
            row[column] = float(row[column]) * factor

    return each(change)


def swap_ways(row: Row) -> None:
    row[1] = "down" if row[1] == "up" else "up"


HANGER_COUNTS = 1.5 * 9.81 * 812.5

REFUSALS: dict[str, tuple[Callable[[list[Row]], list[Row]], tuple[str, ...]]] = {
    "two points": (lambda listed: [listed[0], listed[5]], ("2 readings at 2 different loads",)),
    "saturated": (cell(5, 3, 8_388_607.0), ("Point 6 (reading at 100 kg, run 1 up)", "end of")),
    "non-monotonic": (
        cell(3, 3, 300_000.0),
        ("not monotonic", "point 4 (reading at 60 kg, run 1 up)"),
    ),
    "up and down swapped": (each(swap_ways), ("Point 2", "up and down look swapped")),
    "pounds": (times(2, 1 / 0.45359237), ("pounds were entered as kilograms",)),
    "newtons": (times(2, 9.80665), ("newtons were entered as kilograms",)),
    "25 for 20": (cell(1, 2, 25.0), ("point 2 (reading at 25 kg", "kg lighter than written")),
    "hanger forgotten": (
        add(3, HANGER_COUNTS, lambda _, row: row[2] != 0.0),
        ("hanger forgotten?", "1.5 kg heavier"),
    ),
    "a plate slipped": (cell(4, 4, 900.0), ("Point 5", "moved while it was read")),
    "box moved": (
        add(3, 9_000.0, lambda index, row: row[0] == 2 and index >= 15),
        ("moved during the run: from point 16",),
    ),
    "box moved between runs": (
        add(3, 9_000.0, lambda _, row: row[0] == 2),
        ("zero of run 2 (from point 12 on)", "1.1 % of the span"),
    ),
    "sensor swapped between runs": (times(3, 1.03, only_run=2), ("Run 2 differs from the others",)),
    "sensor swapped since": (times(3, 1.2), ("sensitivity comes out", "sensor swapped")),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_bad_readings_are_refused_and_nothing_changes(calibrated: Path, name: str) -> None:
    spoil, said = REFUSALS[name]
    before = {path.name: path.read_bytes() for path in (calibrated / "calibrations").iterdir()}
    table = write(calibrated / "bad.csv", spoil(rows()))
    done = run("calibrate", "--readings", str(table), *BOX, folder=calibrated)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    for words in said:
        assert words in done.stderr, done.stderr
    assert "stays in force" in done.stderr
    after = {path.name: path.read_bytes() for path in (calibrated / "calibrations").iterdir()}
    assert after == before


@pytest.mark.parametrize(
    ("factor", "said"),
    [
        (1 / 0.45359237, "pounds were entered as kilograms"),
        (9.80665, "newtons were entered as kilograms"),
        (1.3, "where 875.93 was expected, -28."),
    ],
)
def test_the_cells_data_sheet_tells_a_wrong_unit_at_the_first_calibration(
    tmp_path: Path, factor: float, said: str
) -> None:
    words = ("calibrate", *BOX, "--cell", "2", "500")  # 812.5 counts/N in truth, 7 % less
    bad = run(*words, "--readings", str(write(tmp_path / "bad.csv", times(2, factor)(rows()))),
              folder=tmp_path)  # fmt: skip
    assert bad.returncode == 1
    assert said in bad.stderr
    assert "Nothing was stored" in bad.stderr
    good = run(*words, "--readings", str(write(tmp_path / "x.csv", rows())), folder=tmp_path)
    assert good.returncode == 0, good.stderr
    arm = run(*words, "--readings", "x.csv", "--arm", "0.4", "0.001", folder=tmp_path)
    assert arm.returncode == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("run;direction;mass_kg\n1;up;20\n", "separated by semicolons"),
        ("run,direction\n", "missing"),
        ("run,direction,mass_lb,counts_mean\n1,up,3,4\n", "Masses are in kilograms"),
        (
            "run,direction,mass_kg,counts_mean,counts_standard_error,sample_count\n"
            "1,up,20 kg,1,1,1\n",
            "line 2: mass_kg “20 kg” is no number",
        ),
        ("\x00\x01", "no column"),
    ],
)
def test_files_that_are_no_readings(tmp_path: Path, text: str, said: str) -> None:
    table = tmp_path / "odd.csv"
    table.write_text(text, encoding="utf-8")
    done = run("calibrate", "--readings", str(table), *BOX, folder=tmp_path)
    assert done.returncode == 1
    assert said in done.stderr
    assert "odd.csv" in done.stderr
    assert not (tmp_path / "calibrations").exists()


def test_a_second_calibration_writes_down_the_first_as_found(calibrated: Path) -> None:
    first = in_force(calibrated)
    table = write(calibrated / "second.csv", rows(gain=1.002))
    done = run("calibrate", "--readings", str(table), *BOX, "--gravity", "9.81", folder=calibrated)
    assert done.returncode == 0, done.stderr
    assert f"as found, with calibration {first[:12]}" in done.stdout
    assert in_force(calibrated) != first
    told = run("history", folder=calibrated).stdout
    acts = [line.split("  ")[-1] for line in told.splitlines() if "Z  " in line]
    # the new one gives 0.2 % more counts: the old one read 0.2 % of 981 N too much
    found = "as found: 27 readings, largest error +1.9"
    assert [act[: len(found)] for act in acts] == ["put in force", found, "put in force"]
    assert "+0.200 %" in told
    assert "chain whole" in told


def test_another_sensor_needs_no_as_found(calibrated: Path) -> None:
    table = write(calibrated / "new.csv", rows(gain=1.4))
    other = ("--box-id", "0011223344556677", "--sensor", "LC-0099")
    done = run("calibrate", "--readings", str(table), *other, folder=calibrated)
    assert done.returncode == 0, done.stderr
    assert "other sensor before: LC-0042" in run("history", folder=calibrated).stdout


def test_a_tampered_history_is_refused(calibrated: Path) -> None:
    (path,) = (calibrated / "calibrations").glob("*.history.jsonl")
    path.write_text(path.read_text().replace("put in force", "put in farce", 1))
    done = run("history", folder=calibrated)
    assert done.returncode == 1
    assert "Line 1 of the history" in done.stderr


def check_file(folder: Path, gain: float = 1.0) -> Path:
    counts = 41_000.0 + 812.5 * gain * 9.81 * 20.0
    return write(
        folder / "check.csv",
        [
            [1, "up", 0.0, 41_020.0, 3.0, 240],
            [1, "up", 20.0, counts + 20.0, 3.0, 240],
            [1, "down", 0.0, 41_022.0, 3.0, 240],
        ],
    )


def test_daily_check_from_a_file(calibrated: Path) -> None:
    words = ("daycheck", "--readings", str(check_file(calibrated)), "--box-id", BOX[1])
    sound = run(*words, folder=calibrated)
    assert sound.returncode == 0, sound.stderr
    assert "check 1 on this calibration: sound" in sound.stdout
    check_file(calibrated, gain=1.01)
    out = run(*words, "--json", folder=calibrated)
    assert out.returncode == 3
    found = json.loads(out.stdout)
    assert found["state"] == "out"
    assert found["checks"] == 2
    assert found["load"]["error"] == pytest.approx(1.96, abs=0.1)


def test_as_left_from_a_file(calibrated: Path) -> None:
    table = write(calibrated / "left.csv", rows(runs=1))
    words = ("daycheck", "--as-left", "--readings", str(table), "--box-id", BOX[1])
    done = run(*words, folder=calibrated)
    assert done.returncode == 0, done.stdout
    assert "9 of 9 readings within" in done.stdout


def test_kept_readings_are_checked_against_their_own_channel_and_day(calibrated: Path) -> None:
    box = {"box_id": BOX[1], "channel": 0, "sensor_serial": "LC-0042", "gain": 128, "firmware": ""}
    names = ("run", "direction", "mass_kg", "counts_mean", "counts_standard_error", "sample_count")
    read = [dict(zip(names, row, strict=True)) for row in rows(runs=1)[:3]]
    at = (datetime.now(UTC) + timedelta(hours=1)).isoformat(timespec="seconds")
    path = calibrated / "kept.readings.json"
    words = ("daycheck", "--as-found", "--readings", str(path))
    for sensor, code in (("LC-0042", 0), ("LC-0099", 1)):
        content = {"points": read, "box": {**box, "sensor_serial": sensor},
                   "conditions": {"taken_at": at, "operator": "T-3"}}  # fmt: skip
        path.write_text(json.dumps(content), encoding="utf-8")
        done = run(*words, folder=calibrated)
        assert done.returncode == code, done.stderr
    assert "sensor LC-0042 (here: LC-0099)" in done.stderr
    (entry,) = [
        each
        for each in json.loads(run("history", "--json", folder=calibrated).stdout)[0]["entries"]
        if each["act"] == "as found"
    ]
    assert (entry["by"], entry["content"]["taken_at"]) == ("T-3", at)
    assert entry["at"] < at  # written down now, read at the time that the file says
    one = run("daycheck", "--readings", str(path), "--channel", "1", folder=calibrated)
    assert one.returncode == 1
    assert "channel 0 (here: 1)" in one.stderr
    check = run(*words[:1], *words[2:], folder=calibrated)
    assert check.returncode == 1


def test_nothing_to_check_against(tmp_path: Path) -> None:
    done = run(
        "daycheck", "--readings", str(check_file(tmp_path)), "--box-id", "77", folder=tmp_path
    )
    assert done.returncode == 1
    assert "none" in done.stderr
    nothing = run("history", folder=tmp_path)
    assert nothing.returncode == 1
    assert "no history" in nothing.stderr


def torque_readings(folder: Path) -> Path:
    weights = [
        {"name": name, "nominal_kg": 20.0, "oiml_class": "M1", "certificate": "set S-118"}
        for name in "ABCDE"
    ]
    points = [
        {
            "run": row[0],
            "direction": row[1],
            "mass_kg": row[2],
            "counts_mean": row[3],
            "counts_standard_error": row[4],
            "sample_count": row[5],
            "weights": list("ABCDE"[: round(float(row[2]) / 20.0)]),
        }
        for row in rows()
    ]
    content = {
        "points": points,
        "weights": weights,
        "gravity": {"latitude_degrees": 52.0},
        "conditions": {"operator": "T-2", "taken_at": "2026-01-12", "temperature_celsius": 21},
        "in_service": {"valid_days": 180},
        "arm": {"length_metres": 0.4, "length_uncertainty_metres": 0.0005},
        "creep": {
            "unloaded_counts": 41_000.0,
            "held": [[5.0 + 10.0 * step, 840_000.0 + 2.0 * step] for step in range(32)],
        },
    }
    path = folder / "torque.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def test_torque_with_everything_and_its_certificate(tmp_path: Path) -> None:
    done = run("calibrate", "--readings", str(torque_readings(tmp_path)), *BOX, folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "N·m (k = " in done.stdout
    assert "creep, 30 s to 300 s: 0.00" in done.stdout
    assert "due: 2026-07-11" in done.stdout
    (stored,) = (tmp_path / "calibrations").glob("*.calibration.json")
    out = tmp_path / "out"
    certified = run(
        *("certify", str(stored), "-o", str(out)),
        *("--practice", "Saltmarsh Back & Neck", "--machine", "Heron 1"),
        folder=tmp_path,
    )
    assert certified.returncode == 0, certified.stderr
    assert "the same to the last digit" in certified.stdout
    assert sorted(path.suffix for path in out.iterdir()) == [".html", ".json", ".pdf"]
    checked = run(
        "daycheck", "--readings", str(check_file(tmp_path)), "--box-id", BOX[1], folder=tmp_path
    )
    assert "N·m" in checked.stdout
    assert "OVERDUE" in checked.stdout


def test_arm_on_the_command_line(tmp_path: Path) -> None:
    table = write(tmp_path / "readings.csv", rows())
    done = run(
        *("calibrate", "--readings", str(table), *BOX, "--arm", "0.3", "0.001", "--json"),
        folder=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["quantity"] == "torque"
    assert found["sensitivity_counts_per_newton_metre"] == pytest.approx(812.5 / 0.3, rel=2e-3)


def test_zero_by_keyboard_needs_a_calibration(tmp_path: Path) -> None:
    done = run("zero", "-p", "sim:heron?speed=max&task=rest", given="\n", folder=tmp_path)
    assert done.returncode == 1
    assert "Calibrate first" in done.stderr


def test_zero_is_bounded_and_logged(tmp_path: Path) -> None:
    port = "sim:heron?speed=max&task=weights&masses=0,0,0&dwell=30"
    zero = run("zero", "-p", port, given="\n", folder=tmp_path)
    counts = float(zero.stdout.split("taken: ")[1].split(" counts")[0])
    for offset, code in ((100.0, 0), (900_000.0, 1)):
        place = tmp_path / f"{offset:.0f}"
        place.mkdir()
        table = write(
            place / "readings.csv",
            [[*row[:3], float(row[3]) - 41_000.0 + counts + offset, *row[4:]] for row in rows()],
        )
        made = run("calibrate", "--readings", str(table), "-p", port, folder=place)
        assert made.returncode == 0, made.stderr
        done = run("zero", "-p", port, "--operator", "T-2", given="\n", folder=place)
        assert done.returncode == code, done.stderr
        told = run("history", folder=place).stdout
        assert ("zeroed by T-2" in told) is (code == 0)
    assert "more than" in done.stderr


def test_a_logged_zeroing_counts_and_is_said(tmp_path: Path) -> None:
    """The zero lies 300 counts (0.37 N) off that of the calibration, until somebody zeroes."""
    port = "sim:heron?task=weights&masses=0"
    fast = f"{port}&speed=max"
    zero = run("zero", "-p", fast, given="\n", folder=tmp_path)
    counts = float(zero.stdout.split("taken: ")[1].split(" counts")[0])
    moved = [[*row[:3], float(row[3]) - 41_000.0 + counts - 300.0, *row[4:]] for row in rows()]
    table = write(tmp_path / "readings.csv", moved)
    made = run("calibrate", "--readings", str(table), "-p", fast, folder=tmp_path)
    assert made.returncode == 0, made.stderr
    assert "another one put in its place would go unnoticed" in made.stderr
    forces = []
    for words in ((), ("zero", "-p", fast)):
        zeroed = run(*words, given="\n", folder=tmp_path) if words else None
        assert zeroed is None or zeroed.returncode == 0
        said = "applied" if words else "not zeroed"
        name = f"recorded-{len(words)}"
        watched = run("watch", "-p", fast, "-c", "calibrations", "-s", "2", folder=tmp_path)
        assert said in watched.stderr
        # in real time: a recording in virtual time would bear the date of its own world
        recorded = run("record", name, "-p", port, "-s", "2", folder=tmp_path)
        assert recorded.returncode == 0, recorded.stderr
        exported = run("export", f"{name}.steelyard", "-c", "calibrations", folder=tmp_path)
        assert exported.returncode == 0, exported.stderr
        assert said in exported.stderr
        lines = (tmp_path / f"{name}-load.csv").read_text(encoding="utf-8").splitlines()
        listed = csv.DictReader(line for line in lines if not line.startswith("#"))
        got = [float(row["force_newtons"]) for row in listed if row["force_newtons"]]
        forces.append(statistics.fmean(got))
    assert forces[0] == pytest.approx(300.0 / 812.5, abs=0.05)
    assert forces[1] == pytest.approx(0.0, abs=0.05)
