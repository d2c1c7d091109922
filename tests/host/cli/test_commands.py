"""The command line on the virtual box, as a person or a script would use it."""

from __future__ import annotations

import csv
import json
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from command_line import Done, environment, run
from steelyard_protocol import codec
from steelyard_protocol.records import LoadSample

FAST = "speed=max"


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("cli") / "ten-seconds"
    done = run("record", str(path), "-p", f"sim:heron?{FAST}", "-s", "10", "--machine", "Heron")
    assert done.returncode == 0, done.stderr
    return path.with_suffix(".steelyard")


def assert_plain_error(done: Done, *words: str, code: int = 1) -> None:
    """One or two plain lines and the right exit code, never a stack trace."""
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    lines = [line for line in done.stderr.splitlines() if line.lower().startswith("error")]
    assert len(lines) == 1, done.stderr
    if code == 1:
        assert len(done.stderr.strip().splitlines()) <= 2, done.stderr
    for word in words:
        assert word in done.stderr, done.stderr


def test_help_lists_the_commands_and_loads_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['steelyard', '--help']\n"
        "import steelyard.cli\n"
        "try: steelyard.cli.main()\n"
        "except SystemExit as end: code = end.code\n"
        "heavy = {'numpy', 'construct', 'serial', 'steelyard_protocol'} & set(sys.modules)\n"
        "sys.exit(repr(heavy) if heavy or code else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment(), check=False
    )
    assert done.returncode == 0, done.stderr
    for name in ("find", "show", "record", "validate", "calibrate", "watch", "export"):
        assert f"\n  {name} " in done.stdout


@pytest.mark.parametrize(
    "name",
    [
        "find", "show", "setting", "record", "validate", "repair", "calibrate", "certify",
        "watch", "export", "demo", "simulate",
    ],
)  # fmt: skip
def test_every_command_explains_itself(name: str) -> None:
    done = run(name, "--help")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Usage:")


def test_find_names_boxes_and_reasons() -> None:
    done = run("find", "sim:heron", "/dev/no-such-port", "--json")
    assert done.returncode == 0
    found, missing = json.loads(done.stdout)
    assert len(found["box_id"]) == 16
    assert found["channels"] == 4
    assert "no serial port" in missing["error"]


def test_show_measures_rates() -> None:
    done = run("show", "-p", f"sim:heron?{FAST}&task=rest", "-s", "2", "--json")
    assert done.returncode == 0, done.stderr
    shown = json.loads(done.stdout)
    rates = [channel["measured_rate_hz"] for channel in shown["channels"]]
    assert 79.0 < rates[0] < 95.0
    assert rates[2] == pytest.approx(200.0, rel=0.01)
    assert rates[3] == pytest.approx(20.0, rel=0.01)
    assert shown["corrupt_frames_total"] == shown["missing_total"] == 0


def test_show_says_when_a_sensor_is_dead() -> None:
    done = run("show", "-p", f"sim:heron?{FAST}&task=rest&faults=data_high@0.5", "-s", "2")
    assert done.returncode == 3
    assert "no_conversion" in done.stdout


def test_watch_prints_counts_without_a_calibration() -> None:
    done = run("watch", "-p", f"sim:wren?{FAST}", "-s", "1", "--every", "0.25")
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) == 4
    assert "not calibrated" in done.stdout


def test_settings_are_kept_and_refused_with_a_reason() -> None:
    done = run("setting", "sensor_serial", "-p", f"sim:heron?{FAST}", "--channel", "0")
    assert done.stdout.startswith("sensor_serial of channel 0 = ")
    done = run("setting", "box_name", "Heron 1", "-p", f"sim:heron?{FAST}")
    assert done.stdout == "box_name = Heron 1\n"
    done = run("setting", "status_period_ms", "soon", "-p", f"sim:heron?{FAST}")
    assert_plain_error(done, "'soon' is not a whole number", code=2)
    done = run("setting", "status_period_ms", "0", "-p", f"sim:heron?{FAST}")
    assert_plain_error(done, "out of range")


def test_a_recording_is_sound_and_is_never_written_over(recording: Path) -> None:
    done = run("validate", str(recording), "--strict", "--json")
    assert done.returncode == 0, done.stdout
    report = json.loads(done.stdout)
    assert report["verdict"] == "sound"
    assert report["missing_total"] == 0
    before = recording.read_bytes()
    again = run("record", str(recording), "-p", f"sim:heron?{FAST}", "-s", "1")
    assert_plain_error(again, "exists")
    assert recording.read_bytes() == before


def test_damage_gives_exit_code_three(recording: Path, tmp_path: Path) -> None:
    data = bytearray(recording.read_bytes())
    data[len(data) // 2] ^= 0x10
    damaged = tmp_path / "damaged.steelyard"
    damaged.write_bytes(data)
    done = run("validate", str(damaged))
    assert done.returncode == 3
    assert "DAMAGE" in done.stdout


def test_repair_trims_a_copy(recording: Path, tmp_path: Path) -> None:
    torn = tmp_path / "torn.steelyard"
    torn.write_bytes(recording.read_bytes() + b"\x05half")
    done = run("repair", str(torn), str(tmp_path / "whole.steelyard"))
    assert "5 torn bytes left out" in done.stdout
    assert (tmp_path / "whole.steelyard").read_bytes() == recording.read_bytes()


def test_export_writes_csv_and_parquet(recording: Path, tmp_path: Path) -> None:
    for form in ("csv", "parquet"):
        done = run("export", str(recording), "--to", form, "-o", str(tmp_path / "out"), "--json")
        assert done.returncode == 0, done.stderr
        files = {item["table"]: item for item in json.loads(done.stdout)}
        assert files["load"]["rows"] > 1500
        assert Path(files["load"]["path"]).exists()
    again = run("export", str(recording), "-o", str(tmp_path / "out"))
    assert_plain_error(again, "exists")


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("validate", "no-such.steelyard"), "no-such.steelyard"),
        (("validate", "."), "folder"),
        (("export", "no-such.steelyard"), "no-such.steelyard"),
        (("show", "-p", "sim:crane"), "crane"),
        (("show", "-p", "sim:heron?colour=red"), "colour"),
        (("show", "-p", "socket://127.0.0.1:1"), "127.0.0.1"),
        (("show", "-p", "/dev/no-such-port"), "/dev/no-such-port"),
        (("certify", "no-such.json"), "no-such.json"),
        (("record", "x", "-p", "sim:heron?speed=max", "-s", "1", "--client", "Ä"), "ASCII"),
    ],
)
def test_mistakes_get_plain_answers(words: tuple[str, ...], expected: str, tmp_path: Path) -> None:
    assert_plain_error(run(*words, folder=tmp_path), expected)


def test_an_empty_file_is_no_recording(tmp_path: Path) -> None:
    empty = tmp_path / "empty.steelyard"
    empty.touch()
    assert_plain_error(run("validate", str(empty)), "empty")


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent as a POSIX signal")
def test_ctrl_c_ends_a_recording_whole(tmp_path: Path) -> None:
    path = tmp_path / "stopped.steelyard"
    process = subprocess.Popen(
        [sys.executable, "-m", "steelyard.cli", "record", str(path), "-p", "sim:heron"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    deadline = time.monotonic() + 30
    while (not path.exists() or path.stat().st_size < 40_000) and time.monotonic() < deadline:
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=20)
    assert process.returncode == 0, errors
    assert "missing 0 samples" in output
    done = run("validate", str(path), "--strict")
    assert done.returncode == 0, done.stdout


READINGS = """\
# hung from the cell, kg
run,direction,mass_kg,counts_mean,counts_standard_error,sample_count
"""


def readings(sensitivity: float = 2000.0, slip: float = 0.0) -> str:
    rows = []
    loads = [0, 5, 10, 15, 20, 25, 20, 15, 10, 5, 0]
    for number in (1, 2):
        for index, mass in enumerate(loads):
            direction = "up" if index < 6 else "down"
            wobble = 3.0 * ((7 * index + number) % 5 - 2)
            counts = 1000 + sensitivity * 9.80665 * mass + wobble
            if number == 1 and index == 3:
                counts += slip
            rows.append(f"{number},{direction},{mass},{counts:.1f},4.0,240")
    return READINGS + "\n".join(rows) + "\n"


def test_calibrate_from_a_file_and_use_it(recording: Path, tmp_path: Path) -> None:
    table = tmp_path / "readings.csv"
    table.write_text(readings(), encoding="utf-8")
    port = f"sim:heron?{FAST}&task=rest"
    done = run("calibrate", "--readings", str(table), "-p", port, "--json", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert result["sensitivity_counts_per_newton"] == pytest.approx(2000.0, rel=1e-3)
    stored = tmp_path / result["path"]
    certified = run("certify", str(stored))
    assert "untouched" in certified.stdout
    assert "the same to the last digit" in certified.stdout
    watched = run("watch", "-p", port, "-c", str(stored), "-s", "1")
    assert " N (k = " in watched.stdout
    exported = run("export", str(recording), "-c", str(stored), "-o", str(tmp_path / "with"))
    assert exported.returncode == 0, exported.stderr
    header = next(
        line
        for line in (tmp_path / "with-load.csv").read_text(encoding="utf-8").splitlines()
        if not line.startswith("#")
    )
    assert "force_newtons" in header
    other = run("watch", "-p", f"sim:wren?{FAST}", "-c", str(stored), "-s", "1")
    assert_plain_error(other, "made for")
    edited = tmp_path / "edited.json"
    edited.write_text(stored.read_text(encoding="utf-8").replace("25", "26", 1), encoding="utf-8")
    assert_plain_error(run("certify", str(edited)), "edited.json")


def dated_calibration(folder: Path, taken_at: str) -> Path:
    """A calibration made of the same readings on some day."""
    points = list(csv.DictReader(readings()[readings().index("run,") :].splitlines()))
    table = folder / f"{taken_at}.json"
    content = {"points": points, "conditions": {"taken_at": taken_at}}
    table.write_text(json.dumps(content), encoding="utf-8")
    port = f"sim:heron?{FAST}&task=rest"
    words = ("--folder", str(folder / taken_at), "--gravity", "9.80665", "--json")
    done = run("calibrate", "--readings", str(table), "-p", port, *words, folder=folder)
    assert done.returncode == 0, done.stderr
    return folder / json.loads(done.stdout)["path"]


def test_an_old_calibration_says_less(tmp_path: Path) -> None:
    port = f"sim:heron?{FAST}&task=weights&masses=50&dwell=30"
    recording = tmp_path / "fifty.steelyard"
    assert run("record", str(recording), "-p", port, "-s", "6").returncode == 0
    today = datetime.now(UTC).date()
    worst, watched = [], []
    for taken_at in (today, today - timedelta(days=3653)):
        stored = str(dated_calibration(tmp_path, taken_at.isoformat()))
        target = str(tmp_path / f"{taken_at}-out")
        exported = run("export", str(recording), "-c", stored, "-o", target)
        assert exported.returncode == 0, exported.stderr
        lines = Path(f"{target}-load.csv").read_text(encoding="utf-8").splitlines()
        table = csv.DictReader(line for line in lines if not line.startswith("#"))
        column = "force_standard_uncertainty_newtons"
        worst.append(max(float(row[column]) for row in table if row[column]))
        words = ("-p", port, "-c", stored, "-s", "12", "--json")
        shown = [json.loads(line) for line in run("watch", *words).stdout.splitlines()]
        watched.append(shown[-1]["channels"][0]["expanded_uncertainty"])  # it hangs still by then
    # ten years at 0.03 % a year
    assert worst[1] > 1.5 * worst[0]
    assert watched[1] > 1.5 * watched[0]


def test_a_slipped_reading_is_named(tmp_path: Path) -> None:
    table = tmp_path / "slipped.csv"
    table.write_text(readings(slip=20_000.0), encoding="utf-8")
    done = run(
        "calibrate", "--readings", str(table), "--box-id", "0011223344556677", folder=tmp_path
    )
    assert_plain_error(done, "15 kg")
    assert not (tmp_path / "calibrations").exists()


def test_guided_calibration_by_keyboard(tmp_path: Path) -> None:
    masses = "20,0,0,10,20,10,0"
    done = run(
        *("calibrate", "-p", f"sim:heron?{FAST}&task=weights&masses={masses}&dwell=12"),
        *("--loads", "5,10,10+5,20,20+5", "--class", "M1", "--runs", "1", "--exercises", "0"),
        given="\n\nq\n",
        folder=tmp_path,
    )
    assert_plain_error_at_end(done, "Given up after")
    assert "Keep feet and hands clear" in done.stdout
    assert "taken:" in done.stdout


def assert_plain_error_at_end(done: Done, word: str) -> None:
    assert done.returncode == 1
    assert word in done.stderr
    assert "Traceback" not in done.stderr


def test_loads_must_be_understood(tmp_path: Path) -> None:
    port = ("-p", f"sim:heron?{FAST}")
    unknown = run("calibrate", *port, "--loads", "5kg", "--class", "M1", folder=tmp_path)
    assert_plain_error(unknown, "'5kg'", code=2)
    no_class = run("calibrate", *port, "--loads", "5", folder=tmp_path)
    assert_plain_error(no_class, "--tolerance", code=2)
    odd = run("calibrate", *port, "--loads", "15", "--class", "M1", folder=tmp_path)
    assert_plain_error(odd, "OIML R 111 gives no limit for a weight of 15 kg")


def test_a_closed_pipe_is_no_crash(recording: Path) -> None:
    command = f'"{sys.executable}" -m steelyard.cli validate "{recording}" --json | head -1'
    done = subprocess.run(
        command, shell=True, capture_output=True, text=True, env=environment(), check=False
    )
    assert "Traceback" not in done.stderr


def test_replaying_a_recording_gives_the_same_samples(recording: Path, tmp_path: Path) -> None:
    copy = tmp_path / "replayed"
    done = run("record", str(copy), "-p", f"replay:{recording}?speed=max", "-s", "60")
    assert done.returncode == 0, done.stderr

    def samples(path: Path) -> list[LoadSample]:
        pieces = path.read_bytes().split(b"\x00")
        records = [codec.decode(piece) for piece in pieces if piece]
        return [record for record in records if isinstance(record, LoadSample)]

    assert samples(copy.with_suffix(".steelyard")) == samples(recording)
