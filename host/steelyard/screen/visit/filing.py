"""A visit that is over, put into the practice's records: who, when, what for, what was measured.

The recording says all of it but the service.  Filing twice is filing once.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from steelyard.errors import ScreenError
from steelyard.recording.contents import NO_HOST_TIME
from steelyard.recording.reader import Recording
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.store import Records
from steelyard.store.kept import NewVisit, Result, Visit, VisitFilter
from steelyard.store.recording_files import describe_recording
from steelyard.strength.machine_profile import MachineProfile


def file_visit(
    records: Records, found: RecordedAnalysis, profile: MachineProfile, service: str = ""
) -> Result:
    """Log the visit, if it is not yet, and file the analysis under it.

    Raises ScreenError for a recording that bears no client's code; StoreError where the records
    refuse: nobody signed on, no such client, another machine.
    """
    held = found.recording
    if not held.origin.client_code:
        raise ScreenError(
            "The recording bears no client's code, so there is nobody to file it under.",
            "Log a visit and file it by `steelyard analyse --visit`.",
        )
    visit = _logged(records, held, profile) or records.visits.log(
        NewVisit(held.origin.client_code, profile.name, _began(held), _ended(held), service or None)
    )
    return records.results.file(
        visit.visit_id,
        found.found,
        profile,
        found.sheet.facts,
        describe_recording(held.path, held.origin.recording_id),
        [one.calibration_id for one in found.provenance.calibrations],
    )


def _logged(records: Records, held: Recording, profile: MachineProfile) -> Visit | None:
    """The visit of this recording, also one whose result could not be filed at the time."""
    filed = records.visits.of_recording(held.origin.recording_id)
    if filed is not None:
        return filed
    began = _began(held)
    same_moment = VisitFilter(
        held.origin.client_code, profile.name, since=began, until=began + timedelta(seconds=1)
    )
    lines = records.visits.list(same_moment, limit=1)
    return records.visits.get(lines[0].visit_id) if lines else None


def _began(held: Recording) -> datetime:
    return datetime.fromtimestamp(held.origin.started_unix_ns // 1_000_000_000, UTC)


def _ended(held: Recording) -> datetime:
    """When the last sample was taken, to the second; the beginning where none has a time."""
    last_ns = max(
        (
            int(samples.host_unix_ns[-1])
            for samples in (*held.loads.values(), *held.angles.values())
            if len(samples)
        ),
        default=NO_HOST_TIME,
    )
    if last_ns == NO_HOST_TIME:
        return _began(held)
    return max(_began(held), datetime.fromtimestamp(last_ns // 1_000_000_000, UTC))
