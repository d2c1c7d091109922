"""Sessions that went wrong, through the whole virtual box: a clear statement on both reports."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from host.report.sessions import calibrated, record_session, virtual_box
from host.report.test_reports import made, words
from steelyard.report.recorded_analysis import RecordedAnalysis, examine_recording
from steelyard.report.sources import chosen_profile

TORQUE = re.compile(r"\d[\d.]* ± [\d.]+ N·m")


def spoken(analysis: RecordedAnalysis) -> tuple[str, str]:
    return words(made(analysis, "client")), words(made(analysis, "clinician"))


@pytest.fixture(scope="module")
def first_onset(analysed: RecordedAnalysis) -> float:
    """When the undisturbed client of this seed begins the first effort."""
    return analysed.found.tests[0].efforts[0].span.onset_seconds


@pytest.mark.slow
def test_a_gap_and_a_restart_in_a_peak_cost_their_efforts(
    tmp_path: Path, first_onset: float
) -> None:
    """Samples lost in the first effort; the box begun anew in the second, twenty seconds on."""
    faults = f"deaf@{first_onset + 2.5:.1f}+1.5,reboot@{first_onset + 22.5:.1f}"
    path = record_session(tmp_path / "gap.steelyard", first_onset + 32.0, faults=faults)
    found = examine_recording(path)
    said = [one.code for one in found.found.statements]
    assert "samples-missing" in said
    assert "restart" in said
    efforts = [one for test in found.found.tests for one in test.efforts]
    assert efforts
    assert not any(one.valid for one in efforts)
    client, clinician = spoken(found)
    assert "Strongest effort" not in client
    assert TORQUE.search(client) is None
    assert "missing" in clinician
    assert "restarted" in clinician
    assert "Highest valid peak\n–" in clinician


@pytest.mark.slow
def test_a_saturated_cell_is_not_called_nobody_pushing(tmp_path: Path, first_onset: float) -> None:
    fault = f"saturate_high@{first_onset - 2.0:.1f}+30"
    path = record_session(tmp_path / "full.steelyard", first_onset + 14.0, faults=fault)
    found = examine_recording(path)
    codes = {one.code for one in found.found.statements}
    assert "saturated" in codes
    assert "no-effort" not in codes
    client, clinician = spoken(found)
    assert "nobody pushed" not in client + clinician
    assert "no sound reading" in client
    assert "end of its range" in clinician
    assert TORQUE.search(client) is None


@pytest.mark.slow
def test_a_dead_angle_gives_no_figure(tmp_path: Path) -> None:
    path = record_session(tmp_path / "dead.steelyard", 25.0, faults="magnet_missing@5")
    found = examine_recording(path)
    assert [one.code for one in found.found.statements if one.spoils] == ["angle-dead"]
    client, clinician = spoken(found)
    assert "sensor for your position did not work" in client
    assert "arm angle is missing in" in clinician
    assert TORQUE.search(client + clinician) is None


@pytest.mark.slow
def test_a_client_who_does_nothing(tmp_path: Path) -> None:
    path = record_session(tmp_path / "still.steelyard", 20.0, task="rest")
    client, clinician = spoken(examine_recording(path))
    assert "nobody pushed" in client
    assert "nobody pushed" in clinician
    assert TORQUE.search(client) is None


def test_swapped_boxes_wrong_machine_and_no_calibration(session_path: Path, tmp_path: Path) -> None:
    other = calibrated(virtual_box(), "ffeeddccbbaa9988")
    bare = record_session(tmp_path / "bare.steelyard", 3.0, calibrate=False)
    for found, client_says, clinician_says in (
        (examine_recording(session_path, [other]), "not the one that belongs", "ffeeddccbbaa9988"),
        (
            examine_recording(session_path, profile=chosen_profile("wren")),
            "belong to another machine",
            "describes “Wren”",
        ),
        (examine_recording(bare), "scale was not set up", "no calibration of load channel 0"),
    ):
        client, clinician = spoken(found)
        assert client_says in client
        assert clinician_says in clinician
        assert "No figure is given for this session" in clinician
        assert TORQUE.search(client + clinician) is None
        assert "Isometric" not in clinician
