"""Filing an analysis under a client's visit, and what the records tell the analysis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from steelyard.cli.practice_options import opened
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.session_analysis import SessionAnalysis, SessionFacts


@dataclass(frozen=True)
class Filing:
    """Which recording goes under which visit."""

    visit_id: int
    path: Path
    recording_id: str


def facts_of_visit(place: str | None, visit_id: int, recorded_client: str) -> SessionFacts:
    """What limits, set-up and record of the visit's client say.

    Raises EntryError when the recording bears another client's code.
    """
    from steelyard.store.facts import facts_for_visit

    with opened(place) as records:
        return facts_for_visit(records, visit_id, recorded_client)


def file_under_visit(
    place: str | None,
    by: str,
    filing: Filing,
    found: SessionAnalysis,
    profile: MachineProfile,
    facts: SessionFacts,
    calibration_ids: Sequence[str],
) -> int:
    """File it; gives the result's id."""
    from steelyard.store.recording_files import describe_recording

    file = describe_recording(filing.path, filing.recording_id)
    with opened(place, by) as records:
        result = records.results.file(filing.visit_id, found, profile, facts, file, calibration_ids)
    return result.result_id
