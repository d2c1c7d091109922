"""Every figure again to the last digit, and whatever was tampered with named."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from host.report.sessions import calibrated, record_session, virtual_box
from steelyard.calibration import save_calibration
from steelyard.cli.recompute import recompute as command
from steelyard.cli.report import report as report_command
from steelyard.device import Box
from steelyard.errors import ReportError, ResultFileError
from steelyard.report.embedded_result import result_of_page, with_result
from steelyard.report.recompute import recompute
from steelyard.report.recorded_analysis import RecordedAnalysis, analyse_recording
from steelyard.report.result_file import (
    id_of,
    load_result,
    result_content,
    save_result,
)
from steelyard.strength.session_sheet import beside, save_sheet


@pytest.fixture
def kept(session_path: Path, analysed: RecordedAnalysis, tmp_path: Path) -> tuple[Path, Path]:
    """A result and its recording side by side, to be tampered with."""
    recording = tmp_path / session_path.name
    shutil.copy(session_path, recording)
    result = tmp_path / "monday.result.json"
    save_result(result_content(analysed), result)
    return result, recording


def tampered(result: Path, change: Any, sealed: bool) -> None:
    content = json.loads(result.read_text(encoding="utf-8"))
    change(content)
    if sealed:
        content["result_id"] = id_of(content)
    result.write_text(json.dumps(content), encoding="utf-8")


def run(*words: object) -> Result:
    return CliRunner().invoke(command, [str(word) for word in words])


def test_every_number_comes_out_again(kept: tuple[Path, Path]) -> None:
    found = recompute(kept[0])
    assert found.reproduced, (found.differences, found.problems)
    assert found.remarks == ()
    assert found.reproduced_total == len(found.numbers) > 100
    names = [name for name, _ in found.numbers]
    assert "analysis.balance.moment.p" in names
    assert "summary.tests[0].stations[0].peak.value" in names
    done = run(kept[0], "--each")
    assert done.exit_code == 0
    assert f"All {len(found.numbers)} numbers are reproduced to the last digit." in done.output
    assert done.output.count("   same  ") == len(found.numbers)


@pytest.mark.parametrize("sealed", [False, True])
def test_a_figure_changed_in_its_last_digit_is_named(kept: tuple[Path, Path], sealed: bool) -> None:
    """Also when the one who changed it made the seal anew."""

    def change(content: dict[str, Any]) -> None:
        peak = content["analysis"]["tests"][0]["stations"][0]["efforts"][0]["peak"]
        peak["value"] = float(f"{peak['value']:.12g}") + 1e-9

    tampered(kept[0], change, sealed)
    found = recompute(kept[0])
    assert [one.name for one in found.differences] == [
        "analysis.tests[0].stations[0].efforts[0].peak.value"
    ]
    assert any("changed after it was made" in one for one in found.problems) is not sealed
    done = run(kept[0])
    assert done.exit_code == 3
    assert "DIFFERS: analysis.tests[0].stations[0].efforts[0].peak.value" in done.output
    total = len(found.numbers)
    assert f"{total - 1} of {total} numbers are reproduced" in done.output


def test_a_verdict_or_a_sentence_changed_is_named_too(kept: tuple[Path, Path]) -> None:
    def change(content: dict[str, Any]) -> None:
        content["summary"]["tests"][0]["stations"][0]["peak"] = None
        content["analysis"]["statements"].pop()

    tampered(kept[0], change, True)
    names = {one.name for one in recompute(kept[0]).differences}
    assert "summary.tests[0].stations[0].peak" in names
    assert "analysis.statements.count" in names


def test_a_changed_recording_is_named(kept: tuple[Path, Path]) -> None:
    data = bytearray(kept[1].read_bytes())
    data[len(data) // 2] ^= 0x10
    kept[1].write_bytes(bytes(data))
    found = recompute(kept[0])
    assert any("recording monday.steelyard was changed" in one for one in found.problems)
    assert not found.reproduced
    done = run(kept[0])
    assert done.exit_code == 3
    assert "NOT AS IT WAS" in done.output


def test_another_recording_of_that_name_is_named(kept: tuple[Path, Path], tmp_path: Path) -> None:
    other = record_session(tmp_path / "other.steelyard", 3.0)
    found = recompute(kept[0], other)
    assert any("another recording" in one for one in found.problems)
    assert found.differences


def test_a_missing_and_an_other_calibration_are_named(tmp_path: Path) -> None:
    path = record_session(tmp_path / "bare.steelyard", 3.0, calibrate=False)
    port = virtual_box()
    with Box.open(port) as box:
        identity = box.description.box_id_text
    used = calibrated(port, identity)
    other = calibrated(port, identity, taken_at="2025-04-01T09:00:00Z")
    save_result(result_content(analyse_recording(path, [used])), tmp_path / "bare.result.json")
    missing = recompute(tmp_path / "bare.result.json")
    assert any(used.calibration_id[:12] in one and "is missing" in one for one in missing.problems)
    instead = recompute(tmp_path / "bare.result.json", calibrations=[other])
    assert any(other.calibration_id[:12] in one for one in instead.problems)
    assert not instead.reproduced
    folder = tmp_path / "calibrations"
    save_calibration(other, folder)
    save_calibration(used, folder)
    assert recompute(tmp_path / "bare.result.json", calibrations=[folder]).reproduced


def test_other_versions_and_a_newer_sheet_are_remarks(
    kept: tuple[Path, Path], analysed: RecordedAnalysis
) -> None:
    def change(content: dict[str, Any]) -> None:
        content["provenance"]["program_version"] = "0.0.1"
        content["provenance"]["numpy_version"] = "1.0"

    tampered(kept[0], change, True)
    from dataclasses import replace

    save_sheet(replace(analysed.sheet, stack_kg=35.0), beside(kept[1]))
    found = recompute(kept[0])
    assert found.reproduced
    assert len(found.remarks) == 3
    assert "0.0.1" in found.remarks[0]
    assert "sheet" in found.remarks[2]


@pytest.mark.parametrize("name", ["profile", "sheet"])
def test_inputs_in_the_result_are_bound_by_their_hash(kept: tuple[Path, Path], name: str) -> None:
    def change(content: dict[str, Any]) -> None:
        if name == "sheet":
            content["sheet"]["note"] = "other"
        else:
            content["profile"]["torque_limit_newton_metres"] = 600.0

    tampered(kept[0], change, True)
    assert any(name in one for one in recompute(kept[0]).problems)


def test_a_report_proves_itself_and_a_changed_page_is_named(
    kept: tuple[Path, Path], analysed: RecordedAnalysis
) -> None:
    page = kept[0].with_name("monday-client.html")
    text = "<html><body><p>212 ± 4 N·m</p></body></html>"
    note = {**result_content(analysed), "x": "</script><b>&"}
    made = with_result(text, note)
    assert made.count("</script>") == 1
    page.write_text(made, encoding="utf-8")
    stored, untouched = result_of_page(page)
    assert stored.content == note
    assert untouched
    page.write_text(with_result(text, result_content(analysed)), encoding="utf-8")
    assert recompute(page).reproduced
    page.write_text(page.read_text(encoding="utf-8").replace("212 ±", "312 ±"), encoding="utf-8")
    found = recompute(page)
    assert found.differences == ()
    assert any("page monday-client.html was changed" in one for one in found.problems)
    assert recompute(page.with_suffix(".pdf")).problems == found.problems


def test_what_is_no_result(tmp_path: Path, kept: tuple[Path, Path]) -> None:
    for name, text in (
        ("a.result.json", "{"),
        ("b.result.json", '{"schema": "x"}'),
        ("c.result.json", '{"schema": "steelyard session result", "schema_version": 9}'),
        ("d.result.json", '{"schema": "steelyard session result", "schema_version": 1}'),
        ("e.html", "<html></html>"),
    ):
        (tmp_path / name).write_text(text, encoding="utf-8")
        with pytest.raises(ResultFileError):
            recompute(tmp_path / name)
    with pytest.raises(ResultFileError, match="could not be read"):
        load_result(tmp_path / "none.result.json")
    with pytest.raises(ResultFileError, match="PDF"):
        recompute(tmp_path / "alone.pdf")
    kept[1].rename(tmp_path / "moved.steelyard")
    with pytest.raises(ReportError, match="--recording"):
        recompute(kept[0])
    assert recompute(kept[0], tmp_path / "moved.steelyard").reproduced


def test_a_session_without_figures_is_reproduced_as_such(tmp_path: Path) -> None:
    path = record_session(tmp_path / "bare.steelyard", 3.0, calibrate=False)
    done = CliRunner().invoke(report_command, [str(path), "-o", str(tmp_path), "--for", "client"])
    assert done.exit_code == 3
    assert "no figure is given" in done.output
    found = recompute(tmp_path / "bare.result.json")
    assert found.reproduced
