"""Visits and what was measured in them; bills."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from host.store import invented
from host.store.conftest import Clock
from steelyard.errors import (
    AlreadyKeptError,
    ChangedMeanwhileError,
    EntryError,
    NotKeptError,
)
from steelyard.store import Records
from steelyard.store.billing import CsvStyle
from steelyard.store.facts import facts_for_visit
from steelyard.store.kept import Limits, NewVisit, Visit, VisitFilter
from steelyard.strength.analysis_lines import plain
from steelyard.strength.form_faults import Prescription
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.session_analysis import SessionAnalysis, SessionFacts

HERON = ready_profile("heron")
FACTS = SessionFacts(12.5, 40.0, 70.1, 1.77, (-3.0, 48.0), Prescription(2.5, 3.5))


def log(records: Records, clock: Clock, code: str = "C-001", **more: object) -> Visit:
    started = clock.now - timedelta(hours=1)
    return records.visits.log(NewVisit(code, "Heron", started, clock.now, **more))  # type: ignore[arg-type]


def test_a_visit_is_kept_as_logged(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    visit = log(records, clock, note="first test", service="spine-only")
    assert records.visits.get(visit.visit_id) == visit
    assert (visit.minutes, visit.operator, visit.machine) == (60, "AB", "heron")
    assert visit.started_at == clock.now - timedelta(hours=1)
    assert visit.started_at.tzinfo is UTC


def test_other_zones_mean_the_same_moment(records: Records, clock: Clock) -> None:
    from zoneinfo import ZoneInfo

    records.clients.add("C-001")
    there = datetime(2026, 5, 4, 10, 30, tzinfo=ZoneInfo("Europe/Berlin"))
    visit = records.visits.log(NewVisit("C-001", "Heron", there))
    assert visit.started_at == datetime(2026, 5, 4, 8, 30, tzinfo=UTC)
    assert records.visits.get(visit.visit_id).started_at == there


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (timedelta(days=1), None),
        (timedelta(minutes=11), None),
        (timedelta(hours=-1), timedelta(hours=-2)),
        (timedelta(days=-3), timedelta(0)),
    ],
)
def test_times_that_cannot_be(
    records: Records, clock: Clock, start: timedelta, end: timedelta | None
) -> None:
    records.clients.add("C-001")
    ended = None if end is None else clock.now + end
    with pytest.raises(EntryError):
        records.visits.log(NewVisit("C-001", "Heron", clock.now + start, ended))
    assert records.visits.count() == 0


def test_what_does_not_fit_a_visit(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    for bad in (
        {"service": "unheard"},
        {"minutes": -1},
        {"price": Decimal("0.001")},
        {"note": "\x00"},
        {"repeat_of": 77},
        {"operator": "Full Name"},
    ):
        with pytest.raises((EntryError, NotKeptError)):
            log(records, clock, **bad)
    with pytest.raises(NotKeptError):
        log(records, clock, "C-002")
    with pytest.raises(EntryError, match="time zone"):
        records.visits.log(NewVisit("C-001", "Heron", datetime(2026, 5, 1)))
    for number in (0, -1, 99, 2**40):
        with pytest.raises(NotKeptError):
            records.visits.get(number)


def test_a_price_is_that_of_its_day(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    only = records.services.get("spine-only")
    only = records.services.save(dataclasses.replace(only, price=Decimal("45.50"), minutes=40))
    visit = log(records, clock, service="spine-only")
    assert (visit.price, visit.minutes) == (Decimal("45.50"), 40)
    records.services.save(dataclasses.replace(only, price=Decimal("50")))
    assert records.visits.get(visit.visit_id).price == Decimal("45.50")
    assert log(records, clock, service="spine-only", price=Decimal(0)).price == Decimal(0)


def test_changes_of_two_operators(
    records: Records, clock: Clock, another: Callable[[str], Records]
) -> None:
    records.clients.add("C-001")
    mine = log(records, clock)
    theirs = another("CD").visits.change(dataclasses.replace(mine, note="theirs", minutes=45))
    assert (theirs.note, theirs.minutes, theirs.version) == ("theirs", 45, 2)
    with pytest.raises(ChangedMeanwhileError):
        records.visits.change(dataclasses.replace(mine, note="mine"))
    assert records.visits.get(mine.visit_id) == theirs
    records.clients.add("C-002")
    with pytest.raises(EntryError, match="stays so"):
        records.visits.change(dataclasses.replace(theirs, client="C-002"))


def test_filters_and_searches(records: Records, clock: Clock) -> None:
    for code in ("C-001", "C-002"):
        records.clients.add(code)
    one = log(records, clock, "C-001", note="100% effort", service="spine-only")
    clock.forward(days=2)
    two = log(records, clock, "C-002", note="100 kilometres, 日本")

    def found(**wanted: object) -> list[int]:
        return [line.visit_id for line in records.visits.list(VisitFilter(**wanted))]  # type: ignore[arg-type]

    assert found() == [two.visit_id, one.visit_id]
    assert found(client="c-001") == found(text="100%") == found(service="spine-only")
    assert found(text="日") == found(since=clock.now - timedelta(days=1)) == [two.visit_id]
    assert found(until=clock.now - timedelta(days=1)) == [one.visit_id]
    assert found(machine="wren") == found(text="_") == []
    assert records.visits.count(VisitFilter(text="SPINE-only")) == 1
    assert [line.visits_total for line in records.clients.list()] == [1, 1]


def file(records: Records, visit: Visit, found: SessionAnalysis, number: int = 1) -> int:
    return records.results.file(
        visit.visit_id, found, HERON, FACTS, invented.recording(number), ["a" * 64]
    ).result_id


def test_an_analysis_comes_back_whole_with_its_key_figures(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    visit = log(records, clock)
    found = invented.session(sets=2)
    result = records.results.get(file(records, visit, found))
    assert records.results.analysis(result.result_id) == plain(found)
    assert result.facts == FACTS
    assert result.calibration_ids == ("a" * 64,)
    assert [one.degrees for one in result.stations] == list(invented.STATIONS)
    best = found.tests[0].stations[0].best
    assert best is not None
    assert result.stations[0].torque == best.peak
    assert found.curves[0] is not None
    assert result.curves[0].area == found.curves[0].area()
    assert [(one.number, one.repetitions, one.faulty) for one in result.sets] == [
        (1, 8, 1),
        (2, 8, 1),
    ]
    kept = records.visits.get(visit.visit_id)
    assert kept.results == (result.result_id,)
    assert kept.recordings == (invented.recording(1),)
    assert kept.version == visit.version  # filing disturbs nobody who is editing the visit


def test_a_session_in_which_nothing_was_found_is_filed_too(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    nothing = SessionAnalysis(None, None, None, None, None, (), (), (), (), ())
    result = records.results.get(file(records, log(records, clock), nothing))
    assert result.stations == result.curves == result.sets == ()


def test_filing_again_replaces_and_elsewhere_is_refused(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    first, second = log(records, clock), log(records, clock)
    old = file(records, first, invented.session())
    new = file(records, first, invented.session(sets=3))
    assert records.results.of_visit(first.visit_id) == [records.results.get(new)]
    with pytest.raises(NotKeptError):
        records.results.get(old)
    entry = records.audit("C-001", limit=1)[0]
    assert entry.act == "result replaced"
    assert entry.old != entry.new
    with pytest.raises(AlreadyKeptError, match="filed under visit"):
        file(records, second, invented.session())
    with pytest.raises(EntryError, match="was on heron"):
        records.results.file(
            first.visit_id, invented.session(), ready_profile("wren"), FACTS,
            invented.recording(9), [],
        )  # fmt: skip


def test_facts_for_the_analysis_come_from_the_records(records: Records, clock: Clock) -> None:
    records.clients.add("C-001", body_mass_kg=70.0)
    visit = log(records, clock)
    assert facts_for_visit(records, visit.visit_id) == SessionFacts(body_mass_kg=70.0)
    records.set_ups.save("C-001", "heron", {"counterweight_turns": 12.5, "plates_kg": 40})
    records.limits.save("C-001", "heron", Limits((-3.0, 48.0), prescription=Prescription(3.0, 5.0)))
    facts = facts_for_visit(records, visit.visit_id, "C-001")
    assert (facts.crank_turns, facts.stack_kg, facts.client_range) == (12.5, 40.0, (-3.0, 48.0))
    assert facts.prescription.eccentric_seconds == 5.0
    with pytest.raises(EntryError, match="recording is of client C-009"):
        facts_for_visit(records, visit.visit_id, "C-009")


def test_a_bill_as_spreadsheets_of_two_kinds_of_countries_read_it(
    records: Records, clock: Clock
) -> None:
    records.clients.add("C-001")
    rules = records.practice.rules()
    records.practice.change(
        dataclasses.replace(rules, currency="EUR", time_zone="Pacific/Auckland")
    )
    only = records.services.get("spine-only")
    records.services.save(
        dataclasses.replace(only, name='Spine visit; "long", quiet', price=Decimal("45.50"))
    )
    clock.forward(hours=4)  # 13:30 UTC: already the next day in Auckland
    log(records, clock, service="spine-only")
    log(records, clock)
    bill = records.billing.bill(date(2026, 5, 5), date(2026, 5, 5))
    assert (bill.total, bill.unpriced_total, len(bill.lines)) == (Decimal("45.50"), 1, 2)
    assert records.billing.bill(date(2026, 5, 4), date(2026, 5, 4)).lines == ()
    for style, separator, price in ((CsvStyle.DOT, ",", "45.50"), (CsvStyle.COMMA, ";", "45,50")):
        rows = list(csv.DictReader(io.StringIO(bill.csv(style)), delimiter=separator))
        assert rows[0]["price"] == price
        assert rows[0]["date"] == "2026-05-05"
        assert rows[0]["service_name"] == 'Spine visit; "long", quiet'
        assert rows[1]["price"] == ""
    with pytest.raises(EntryError):
        records.billing.bill(date(2026, 5, 5), date(2026, 5, 4))
    with pytest.raises(EntryError):
        records.billing.bill(date(2026, 5, 5), date.max)
