"""From a file to a whole analysis: what it is analysed with, and what it came from."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from host.report.sessions import box_calibration, record_session, sheet_of, virtual_box
from host.report.synthetic_sessions import sheet_for, visit, with_visit
from steelyard.calibration import save_calibration
from steelyard.calibration.register import Register
from steelyard.device import Box
from steelyard.errors import (
    CalibrationError,
    ProfileError,
    SheetError,
    WrongBoxError,
    WrongMachineError,
)
from steelyard.report.plain_words import worth_saying
from steelyard.report.recorded_analysis import (
    RecordedAnalysis,
    analyse_recording,
    examine_recording,
)
from steelyard.report.sources import chosen_profile
from steelyard.strength.analysis_lines import plain
from steelyard.strength.crank_course import CrankSetting, sweeps_to_fit, turns_at
from steelyard.strength.movement import Sweep
from steelyard.strength.session_sheet import beside, save_sheet


def test_a_recording_explains_itself_alone(analysed: RecordedAnalysis, session_path: Path) -> None:
    kept = analysed.provenance
    assert kept.profile_source == "inside the recording"
    assert kept.sheet_source == "inside the recording"
    assert [one.channel for one in kept.calibrations] == [0]
    assert kept.calibrations[0].calibration_id == box_calibration().calibration_id
    assert kept.calibrations[0].age_days == pytest.approx(104.25, abs=0.1)
    assert kept.recording_sha256 == hashlib.sha256(session_path.read_bytes()).hexdigest()
    assert kept.client_code == "C-001"
    assert analysed.sheet == sheet_of()
    assert analysed.found.weight is not None  # needs the crank, which only the sheet knows
    assert len(analysed.found.tests[0].efforts) >= 2


def test_a_correction_beside_the_recording_counts_and_is_told(
    session_path: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "monday.steelyard"
    shutil.copy(session_path, copy)
    before = analyse_recording(copy)
    right = replace(before.sheet, crank=(CrankSetting(before.sheet.crank[0].turns + 2.0),))
    save_sheet(right, beside(copy))
    after = analyse_recording(copy)
    assert after.provenance.sheet_source == "monday.sheet.json"
    assert after.provenance.sheet_corrections[0].startswith("crank")
    assert after.provenance.recording_sha256 == before.provenance.recording_sha256
    assert before.found.weight is not None
    assert after.found.weight is not None
    heavier = after.found.weight.client.value - before.found.weight.client.value
    assert heavier == pytest.approx(2.0 * 3.98, abs=0.3)  # two turns of the profile's crank
    beside(copy).write_text("{", encoding="utf-8")
    with pytest.raises(SheetError, match="monday"):
        examine_recording(copy)


def test_a_folder_register_goes_before_what_is_inside(session_path: Path, tmp_path: Path) -> None:
    port = virtual_box()
    with Box.open(port) as box:
        from host.report.sessions import calibrated

        other = calibrated(port, box.description.box_id_text, taken_at="2025-05-01T09:00:00Z")
    register = Register(tmp_path, other.binding.box_id, 0)
    register.put_in_force(other, "2025-05-01T10:00:00Z", "technician T-1")
    found = analyse_recording(session_path, [tmp_path])
    assert found.provenance.calibrations[0].calibration_id == other.calibration_id
    given = analyse_recording(session_path, [other])
    assert plain(given.found) == plain(found.found)


def test_boxes_swapped_wrong_machine_and_no_profile(session_path: Path, tmp_path: Path) -> None:
    from host.report.sessions import calibrated

    other = calibrated(virtual_box(), "ffeeddccbbaa9988")
    with pytest.raises(WrongBoxError, match="ffeeddccbbaa9988"):
        analyse_recording(session_path, [save_calibration(other, tmp_path)])
    with pytest.raises(WrongMachineError, match="Wren"):
        analyse_recording(session_path, profile=chosen_profile("wren"))
    for found, code in (
        (examine_recording(session_path, [other]), "wrong-box"),
        (examine_recording(session_path, profile=chosen_profile("wren")), "wrong-machine"),
    ):
        assert not found.measured
        assert [one.code for one in found.found.statements] == [code]
        assert found.found.tests == ()
        assert found.provenance.recording_sha256


def test_without_calibration_there_is_a_statement_and_no_figure(tmp_path: Path) -> None:
    path = record_session(tmp_path / "bare.steelyard", 3.0, calibrate=False, named="")
    with pytest.raises(CalibrationError, match="no calibration"):
        analyse_recording(path)
    found = examine_recording(path)
    assert [one.code for one in found.found.statements] == ["no-calibration"]
    assert found.signals is None


def test_a_machine_that_nobody_described_is_refused(tmp_path: Path) -> None:
    from steelyard.recording.file_format import Subject
    from steelyard.recording.recorder import Recorder, RecordingPlan
    from steelyard.transport.reconnecting import ReconnectingLink

    path = tmp_path / "unknown.steelyard"
    plan = RecordingPlan(path, Subject("Egret", "C-001"), [], duration_seconds=2.0)
    Recorder(ReconnectingLink(virtual_box), plan).run()
    with pytest.raises(ProfileError, match="Egret") as refused:
        analyse_recording(path)
    assert "--machine" in refused.value.advice


def test_an_overdue_calibration_is_said(session_path: Path) -> None:
    port = virtual_box()
    with Box.open(port) as box:
        from host.report.sessions import calibrated

        old = calibrated(port, box.description.box_id_text, taken_at="2023-01-01T09:00:00Z")
    found = analyse_recording(session_path, [old])
    assert found.provenance.calibrations[0].overdue
    assert any(one.code == "calibration-overdue" for one in found.found.statements)
    assert any("yearly check" in words for words, _ in worth_saying(found.found))


def test_a_calibration_made_after_the_session_counts_and_is_said(session_path: Path) -> None:
    """Drift runs both ways: the days between count alike, and `export` takes it as well."""
    port = virtual_box()
    with Box.open(port) as box:
        from host.report.sessions import calibrated

        box_id = box.description.box_id_text
        later = calibrated(port, box_id, taken_at="2025-09-23T21:00:00Z")
    found = analyse_recording(session_path, [later])
    assert found.provenance.calibrations[0].age_days == pytest.approx(100.0, abs=1.0)
    assert any(one.code == "calibration-later" for one in found.found.statements)
    assert any("set up after this session" in words for words, _ in worth_saying(found.found))


def sweep(start: float, end: float, direction: int) -> Sweep:
    return Sweep(start, end, 20.0, direction, 0.0, 40.0)


def test_sweeps_of_one_setting_of_the_crank_are_fitted_alone() -> None:
    sweeps = [sweep(0, 9, 1), sweep(10, 19, -1), sweep(30, 39, 1), sweep(40, 49, -1)]
    course = (CrankSetting(36.0), CrankSetting(38.0, 25.0))
    assert sweeps_to_fit(sweeps, course) == sweeps[2:]
    assert sweeps_to_fit(sweeps, (CrankSetting(36.0), CrankSetting(38.0, 45.0))) == sweeps[:3]
    assert sweeps_to_fit(sweeps, ()) == sweeps
    assert turns_at(course, 24.0) == 36.0
    assert turns_at(course, 25.0) == 38.0
    assert turns_at((CrankSetting(1.0, 5.0),), 0.0) is None


def test_a_crank_turned_after_the_balance_without_reading_it_spoils_the_muscles_work(
    analysed: RecordedAnalysis,
) -> None:
    """Nobody knows by how much: said, and no muscles' work given; not so when turned before it."""

    def work(found: RecordedAnalysis) -> object:
        concentric = found.found.sets[0].repetitions[0].measures.concentric
        assert concentric is not None
        return concentric.muscle_work

    taken = visit("heron", "steady", "session", 42)
    before = with_visit(analysed, taken)
    turns = sheet_for(taken).crank[0].turns
    at = before.found.sets[0].repetitions[0].measures.start_seconds - 1.0
    after = with_visit(analysed, taken, crank=(CrankSetting(turns), CrankSetting(None, at)))
    assert any(one.code == "crank-not-read" for one in after.found.statements)
    assert work(before) is not None
    assert work(after) is None
    again = with_visit(analysed, taken, crank=(CrankSetting(None), CrankSetting(None, 0.5)))
    assert not any(one.code == "crank-not-read" for one in again.found.statements)
    assert again.found.balance is not None
    assert again.found.weight is None
    assert work(again) == work(before)


def test_a_crank_turned_after_the_balance_moves_the_muscles_work(
    analysed: RecordedAnalysis,
) -> None:
    """Two turns more give the balance of the set another moment, and it is said."""
    taken = visit("heron", "steady", "session", 42)
    before = with_visit(analysed, taken)
    turns = sheet_for(taken).crank[0].turns
    at = before.found.sets[0].repetitions[0].measures.start_seconds - 1.0
    after = with_visit(analysed, taken, crank=(CrankSetting(turns), CrankSetting(turns + 2.0, at)))
    assert any(one.code == "crank-turned" for one in after.found.statements)
    assert not any(one.code == "crank-turned" for one in before.found.statements)
    one = before.found.sets[0].repetitions[0].measures.concentric
    two = after.found.sets[0].repetitions[0].measures.concentric
    assert one is not None
    assert two is not None
    assert one.muscle_work is not None
    assert two.muscle_work is not None
    assert one.work == two.work
    assert abs(two.muscle_work.value - one.muscle_work.value) > 1.0
    assert before.found.balance == after.found.balance
