"""``analyse --visit`` on a recorded virtual session: filed, and the trend drawn from it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from host.strength.test_recorded_session import recording
from steelyard.cli.commands import steelyard as root
from steelyard.errors import EntryError
from steelyard.recording.reader import Recording
from steelyard.store import open_records

__all__ = ["recording"]


def call(*words: str) -> Result:
    return CliRunner().invoke(root, list(words))


@pytest.mark.slow
def test_an_analysis_is_filed_under_its_visit_and_no_other(
    recording: Recording, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEELYARD_RECORDS", str(tmp_path))
    monkeypatch.setenv("STEELYARD_OPERATOR", "AB")
    for number, code in enumerate(("C-001", "C-002"), start=1):
        assert call("client", "add", code).exit_code == 0
        logged = call("visit", "log", code, "Heron", "--start", "2026-01-05T09:00", "--json")
        assert json.loads(logged.stdout)["visit_id"] == number
    path = str(recording.path)
    wrong = call("analyse", path, "--visit", "2")
    assert isinstance(wrong.exception, EntryError)
    assert "is of client C-001" in str(wrong.exception)
    filed = call("analyse", path, "--visit", "1", "--turns", "38", "--json")
    assert filed.exit_code == 0, (filed.output, filed.exception)
    assert "filed as result 1 of visit 1" in filed.stderr
    printed = json.loads(filed.stdout)
    with open_records(tmp_path) as records:
        result = records.results.get(1)
        kept = records.results.analysis(1)
        assert kept["tests"] == printed["tests"]
        assert list(result.calibration_ids) == printed["calibrations"]
        assert result.facts.crank_turns == 38.0
        assert records.visits.get(1).recordings[0].recording_id == printed["recording"]
        peaks = {station.degrees: station.torque.value for station in result.stations}
        assert peaks
    trend = json.loads(call("client", "trend", "C-001", "Heron", "--json").stdout)
    assert {
        one["degrees"]: one["points"][0]["torque"]["value"] for one in trend["stations"]
    } == peaks
