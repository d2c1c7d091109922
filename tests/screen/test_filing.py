"""The end of a visit in the practice's records, with the numbers of the command line."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from host.report.sessions import ONE_TEST_SECONDS, record_session
from steelyard.cli.commands import steelyard as root
from steelyard.errors import ScreenError, SteelyardError
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.visit import Visit
from steelyard.report.recorded_analysis import RecordedAnalysis, examine_recording
from steelyard.screen.desk import Desk
from steelyard.screen.visit.filing import file_visit
from steelyard.screen.visit.reviewing import Reviewing
from steelyard.screen.visit.visit_desk import VisitDesk
from steelyard.store import Records, open_records
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.session_analysis import SessionFacts

HERON = ready_profile("heron")
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("filing") / "recordings"
    folder.mkdir()
    return record_session(folder / "monday.steelyard", ONE_TEST_SECONDS)


@pytest.fixture(scope="module")
def analysed(session: Path) -> RecordedAnalysis:
    return examine_recording(session)


@pytest.fixture
def records(tmp_path: Path, analysed: RecordedAnalysis) -> Iterator[Records]:
    with open_records(tmp_path / "records", operator="AB") as opened:
        opened.clients.add(analysed.recording.origin.client_code)
        yield opened


def test_visit_and_result_are_filed_once(records: Records, analysed: RecordedAnalysis) -> None:
    first = file_visit(records, analysed, HERON, "spine-only")
    visit = records.visits.get(first.visit_id)
    assert visit.client == analysed.recording.origin.client_code
    assert (visit.machine, visit.operator, visit.service) == ("heron", "AB", "spine-only")
    assert visit.ended_at is not None
    assert (visit.ended_at - visit.started_at).total_seconds() == pytest.approx(
        ONE_TEST_SECONDS, abs=5.0
    )
    again = file_visit(records, analysed, HERON)
    assert again.visit_id == first.visit_id
    assert records.visits.count() == 1
    assert visit.recordings[0].recording_id == analysed.recording.origin.recording_id


def test_the_numbers_are_those_of_the_command_line(
    records: Records, analysed: RecordedAnalysis, session: Path
) -> None:
    filed = file_visit(records, analysed, HERON)
    printed = CliRunner().invoke(root, ["analyse", str(session), "--json"])
    assert printed.exit_code == 0, printed.output
    told = json.loads(printed.stdout)
    kept = json.loads(json.dumps(records.results.analysis(filed.result_id)))
    assert kept["tests"]
    assert {name: told[name] for name in kept} == kept
    trend = records.trends.of_client(analysed.recording.origin.client_code, "Heron")
    best = {round(one.degrees, 9): one.torque.value for one in filed.stations}
    assert {round(one.degrees or 0.0, 9): one.points[0].torque.value for one in trend.stations} == (
        best
    )


def test_a_visit_whose_result_was_refused_is_not_logged_twice(
    records: Records, analysed: RecordedAnalysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*words: Any) -> None:
        raise SteelyardError("The disk is full.", "Make room.")

    with monkeypatch.context() as patch:
        patch.setattr(records.results, "file", refuse)
        with pytest.raises(SteelyardError):
            file_visit(records, analysed, HERON)
    assert records.visits.count() == 1
    file_visit(records, analysed, HERON)
    assert records.visits.count() == 1


def test_a_recording_without_a_code_is_filed_under_nobody(
    records: Records, analysed: RecordedAnalysis
) -> None:
    held = analysed.recording
    nobody = replace(held, origin=replace(held.origin, client_code=""))
    with pytest.raises(ScreenError, match="no client's code"):
        file_visit(records, replace(analysed, recording=nobody), HERON)
    assert records.visits.count() == 0


class Ended:
    """A recorder whose recording is over."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.folder = path.parent

    async def end(self) -> Path:
        return self.path

    async def remark(self, text: str) -> None:
        del text


class Resting:
    """No weights are being hung."""

    going_on = False


def a_desk(session: Path, tmp_path: Path, code: str, operator: str) -> Desk:
    scales = MachineScales.of(HERON, {}, "2026-01-01T00:00:00Z")
    recorder: Any = Ended(session)
    visits = VisitDesk(lambda: scales, tmp_path, recorder.remark)
    visits.visit = Visit(scales, code, SessionFacts(crank_turns=30.0))
    nothing: Any = None
    weights: Any = Resting()
    place = tmp_path / "records"
    return Desk(
        HERON,
        nothing,
        visits,
        tmp_path,
        lambda by: open_records(place, operator=by),
        recorder,
        Reviewing(session.parent),
        weights,
        operator=operator,
    )


@pytest.mark.parametrize("operator", ["AB", ""])
def test_the_end_of_a_visit_files_it_or_says_why_not(
    records: Records, session: Path, analysed: RecordedAnalysis, tmp_path: Path, operator: str
) -> None:
    code = analysed.recording.origin.client_code
    desk = a_desk(session, tmp_path, code, operator)
    try:
        assert asyncio.run(desk.end_visit("spine-only")) == session
        assert desk.visits.visit is None
        filed = records.visits.of_recording(analysed.recording.origin.recording_id)
        assert (filed is not None) == bool(operator)
        assert bool(desk.filing_troubles) != bool(operator)
        if filed is not None:
            result = records.results.get(filed.results[0])
            assert result.facts.crank_turns == 30.0  # the sheet of the day, beside the recording
            assert filed.service == "spine-only"
    finally:
        desk.records.close()
        for sheet in session.parent.glob("*.sheet.json"):
            sheet.unlink()
