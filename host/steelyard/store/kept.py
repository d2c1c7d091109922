"""What is kept, as plain records.  All times are in UTC and know it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any

from steelyard.strength.effort import EffortLimits
from steelyard.strength.form_faults import Prescription
from steelyard.strength.load_rule import LoadRule
from steelyard.strength.machine_profile import Joint
from steelyard.strength.measured import Measured
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.set_summary import StopRules


@dataclass(frozen=True)
class Client:
    """A client, by code only.  ``version`` counts changes: give it back unchanged to change it.

    ``cautions`` is shown before a maximal test.  Mass and height are there for
    the plausibility of the balance, and may be left out.
    """

    code: str
    note: str = ""
    cautions: str = ""
    body_mass_kg: float | None = None
    stature_metres: float | None = None
    added_at: datetime | None = None
    version: int = 0


@dataclass(frozen=True)
class ClientLine:
    """A client as a list shows it."""

    code: str
    note: str
    cautions: str
    visits_total: int
    last_visit_at: datetime | None


@dataclass(frozen=True)
class SetUp:
    """How a machine was set for a client.  ``number`` counts the set-ups saved, from 1."""

    machine: str
    values: Mapping[str, str | float]
    number: int
    saved_at: datetime
    saved_by: str


@dataclass(frozen=True)
class Limits:
    """What the clinician entered for one client on one machine; the program adds nothing to it.

    ``client_range``: extended and flexed end in degrees that may be used.
    ``torque_limit_nm``: not to be exceeded in any effort; None where no limit was entered.
    ``stations_degrees``: where to test; empty: spread over the range.
    """

    client_range: tuple[float, float] | None = None
    torque_limit_nm: float | None = None
    stations_degrees: tuple[float, ...] = ()
    prescription: Prescription = field(default_factory=Prescription)
    stop_rules: StopRules = field(default_factory=StopRules)
    effort_limits: EffortLimits = field(default_factory=EffortLimits)
    load_rule: LoadRule | None = None


@dataclass(frozen=True)
class KeptLimits:
    """Limits, who entered them and when.  ``number`` counts from 1."""

    machine: str
    limits: Limits
    number: int
    entered_at: datetime
    entered_by: str


@dataclass(frozen=True)
class Consent:
    """A tick: the client agreed to a maximal test, having been told a text of this version."""

    text_version: str
    given_at: datetime
    given_to: str
    withdrawn_at: datetime | None = None
    withdrawn_to: str = ""


@dataclass(frozen=True)
class ConsentState:
    """Whether a maximal test may go on as far as consent is concerned, and if not, why not."""

    in_force: bool
    reason: str
    consent: Consent | None


@dataclass(frozen=True)
class PracticeRules:
    """What the practice itself has laid down.

    A consent holds for ``consent_days`` and for the text of ``consent_text_version``.
    ``time_zone`` as in Europe/Berlin, empty for this computer's; it decides on which date a
    visit falls.  ``backup_days``: daily copies older than this are deleted.
    """

    consent_text_version: str = "1"
    consent_text: str = (
        "I was told what a maximal effort is, that it can injure, that I may stop at any moment "
        "without giving a reason, and what will be kept of it. I was screened by a professional "
        "licensed for it, and nothing has changed since. I agree to the test."
    )
    consent_days: int = 180
    currency: str = ""
    time_zone: str = ""
    backup_days: int = 30
    version: int = 0


@dataclass(frozen=True)
class Service:
    """A line of the practice's own table of services.

    ``minutes``: how long one usually takes.  ``price`` None: not set.  One that is not
    ``offered`` stays for old visits.
    """

    code: str
    name: str
    minutes: int | None = None
    price: Decimal | None = None
    offered: bool = True
    version: int = 0


@dataclass(frozen=True)
class RecordingFile:
    """A recording that belongs to a visit.  ``sha256`` of the whole file, in hexadecimal."""

    path: str
    recording_id: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True)
class NewVisit:
    """A visit to be logged.

    ``service`` is a key of the practice's table.  ``minutes`` None: the service's, or from start
    to end.  ``price`` None: the service's at this moment.  ``operator`` empty: who opened the
    records.  ``repeat_of``: id of an earlier visit of which this one repeats the test with no
    training in between; such pairs tell how well the practice's tests repeat.
    """

    client: str
    machine: str
    started_at: datetime
    ended_at: datetime | None = None
    service: str | None = None
    minutes: int | None = None
    price: Decimal | None = None
    operator: str = ""
    note: str = ""
    repeat_of: int | None = None


@dataclass(frozen=True)
class Visit:
    """A visit as it is kept.  ``results``: ids of what was measured."""

    visit_id: int
    client: str
    machine: str
    started_at: datetime
    ended_at: datetime | None
    service: str | None
    minutes: int | None
    price: Decimal | None
    operator: str
    note: str
    repeat_of: int | None
    version: int
    recordings: tuple[RecordingFile, ...] = ()
    results: tuple[int, ...] = ()


@dataclass(frozen=True)
class VisitLine:
    """A visit as a list shows it; ``results_total``: recordings of it that were analysed."""

    visit_id: int
    client: str
    machine: str
    started_at: datetime
    ended_at: datetime | None
    service: str | None
    minutes: int | None
    price: Decimal | None
    operator: str
    note: str
    results_total: int


@dataclass(frozen=True)
class VisitFilter:
    """Which visits: each part None or empty leaves it open.

    ``since`` (from this moment) to ``until`` (before it).  ``text`` is looked for, as it stands,
    in note, client, machine, operator and service.
    """

    client: str | None = None
    machine: str | None = None
    service: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    text: str = ""


@dataclass(frozen=True)
class StationFigure:
    """The best valid effort at one station of a test.  ``test`` counts from 1 in a session.

    ``common_u``: the calibration's share of the uncertainty, in N·m.
    """

    test: int
    degrees: float
    torque: Measured
    common_u: float
    efforts_total: int
    valid_total: int


@dataclass(frozen=True)
class CurveFigure:
    """A torque-angle curve as a whole."""

    test: int
    low_degrees: float
    high_degrees: float
    area: Measured
    flexed_to_extended: Measured


@dataclass(frozen=True)
class SetFigure:
    """A set as a whole.  ``number`` counts from 1 in a session."""

    number: int
    repetitions: int
    faulty: int
    load_nm: float
    work: Measured
    seconds_under_load: float
    stopped_because: str


@dataclass(frozen=True)
class Result:
    """What was measured in one recording.

    ``facts`` are what the analysis was told; with the recording and the calibrations they
    give every number again.  ``stations``, ``curves`` and ``sets`` are its key figures.
    """

    result_id: int
    visit_id: int
    recording_id: str
    filed_at: datetime
    software: str
    machine: str
    joint: Joint
    calibration_ids: tuple[str, ...]
    facts: SessionFacts
    stations: tuple[StationFigure, ...]
    curves: tuple[CurveFigure, ...]
    sets: tuple[SetFigure, ...]


@dataclass(frozen=True)
class AuditEntry:
    """One change.  All but ``number`` is None in an entry that was erased with its client."""

    number: int
    at: datetime | None
    who: str | None
    act: str | None
    client: str | None
    what: str | None
    old: Any
    new: Any
