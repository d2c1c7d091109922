"""``record`` keeps sheet and profile; ``report`` compares what it is given."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner, Result
from host.report.sessions import sheet_of
from steelyard.cli.record import record
from steelyard.cli.report import report
from steelyard.errors import ProfileError, SteelyardError, WrongMachineError
from steelyard.recording.reader import read_recording
from steelyard.report.sources import SHEET_KIND, find_profile, find_sheet
from steelyard.strength.session_sheet import save_sheet

PORT = ("--port", "sim:heron?task=rest&speed=max&seed=5", "-s", "2")


def run(command: object, *words: object) -> Result:
    return CliRunner().invoke(command, [str(word) for word in words])  # type: ignore[arg-type]


def test_a_recording_keeps_sheet_and_profile(tmp_path: Path) -> None:
    save_sheet(sheet_of(), tmp_path / "given.json")
    path = tmp_path / "monday.steelyard"
    done = run(record, path, *PORT, "--sheet", tmp_path / "given.json", "--profile", "heron")
    assert done.exit_code == 0, done.output
    held = read_recording(path)
    assert held.origin.machine == "Heron"  # the profile names it
    assert find_sheet(held).sheet == sheet_of()
    assert find_profile(held).source == "inside the recording"
    assert SHEET_KIND in [one.kind for one in held.documents]


def test_a_profile_of_another_machine_or_none_is_refused_before_anything_is_recorded(
    tmp_path: Path,
) -> None:
    for words, kind in (
        (("--profile", "heron", "--machine", "Wren"), WrongMachineError),
        (("--profile", tmp_path / "none.json"), ProfileError),
        (("--sheet", tmp_path / "none.json"), SteelyardError),
    ):
        done = run(record, tmp_path / "monday", *PORT, *words)
        assert isinstance(done.exception, kind)
        assert list(tmp_path.iterdir()) == []


def test_a_report_of_nothing_measured_says_so_and_exits_3(tmp_path: Path) -> None:
    path = tmp_path / "bare.steelyard"
    assert run(record, path, *PORT, "--profile", "heron").exit_code == 0
    done = run(report, path, "--for", "client", "-o", tmp_path / "out")
    assert done.exit_code == 3
    assert "no figure is given" in done.output
    assert {one.name for one in (tmp_path / "out").iterdir()} == {
        "bare-client.html", "bare-client.pdf", "bare.result.json",
    }  # fmt: skip
    other = run(report, path, "--repeats", tmp_path / "none.csv", "-o", tmp_path / "out")
    assert isinstance(other.exception, SteelyardError)
