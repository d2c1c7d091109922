"""A client's limits, visits and trend in a real browser, on invented visits."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from host.store.invented import STATIONS, recording, session
from playwright.sync_api import Page, expect
from screen.practice import take_new_client
from screen.rig import Server, Visitor
from steelyard.store import Records, open_records
from steelyard.store.kept import NewVisit, VisitFilter
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.session_analysis import SessionFacts

pytestmark = pytest.mark.xdist_group("screen")

HERON = ready_profile("heron")
STRENGTHS = (1.0, 1.05, 1.5)
SHARES = (140.0, 160.0, 180.0, 200.0, 210.0)


@pytest.fixture
def records(server: Server) -> Iterator[Records]:
    """The very records of the server that runs."""
    with open_records(server.folder / "records", operator="AB") as opened:
        yield opened


def sign_on(server: Server, visitor: Visitor) -> Page:
    page = visitor.open(server.address)
    page.get_by_label("Initials").fill("AB")
    page.get_by_role("button", name="Sign on", exact=True).click()
    expect(page.get_by_text("AB is signed on.")).to_be_visible()
    return page


def invent_visits(server: Server, records: Records, code: str) -> list[int]:
    """Three visits, a month apart; the recording of the last one lies in the folder."""
    folder = server.folder / "recordings"
    folder.mkdir(exist_ok=True)
    visits = []
    for number, strength in enumerate(STRENGTHS):
        at = datetime.now(UTC) - timedelta(days=31 * (3 - number))
        visit = records.visits.log(NewVisit(code, "Heron", at, at + timedelta(minutes=40)))
        path = folder / f"invented-{code}-{number}.steelyard"
        if number == 2:
            path.write_bytes(b"no recording, but a file of that name")
        torques = {at: nm * strength for at, nm in zip(STATIONS, SHARES, strict=True)}
        file = recording(1000 * int(code[2:]) + number, str(path))
        records.results.file(visit.visit_id, session(torques), HERON, SessionFacts(), file, [])
        visits.append(visit.visit_id)
    return visits


def test_limits_are_entered_checked_and_taken_back(
    server: Server, visitor: Visitor, records: Records
) -> None:
    page = sign_on(server, visitor)
    code = take_new_client(page, server.address)
    page.get_by_label("Extended end, °").fill("40")
    page.get_by_label("Flexed end, °").fill("10")
    save = page.get_by_role("button", name="Save the limits", exact=True)
    save.click()
    expect(page.locator("#told")).to_contain_text("extended end first")
    assert records.limits.current(code, "Heron") is None
    page.get_by_label("Extended end, °").fill("5")
    page.get_by_label("Flexed end, °").fill("45,5")
    page.get_by_text("Rules for stopping a set").click()
    page.get_by_label("After so many repetitions").fill("12")
    save.click()
    expect(page.get_by_text("Limits 1, entered by AB")).to_be_visible()
    kept = records.limits.current(code, "Heron")
    assert kept is not None
    assert kept.limits.client_range == (5.0, 45.5)
    assert kept.limits.stop_rules.repetitions == 12
    page.get_by_label("Flexed end, °").fill("50")
    save.click()
    expect(page.get_by_text("Limits 2, entered by AB")).to_be_visible()
    page.get_by_role("button", name="Back to the limits before", exact=True).click()
    expect(page.get_by_text("Limits 3, entered by AB")).to_be_visible()
    expect(page.get_by_label("Flexed end, °")).to_have_value("45.5")


def test_visits_and_trend_show_what_the_records_say(
    server: Server, visitor: Visitor, records: Records
) -> None:
    code = records.clients.add(records.clients.next_code()).code
    page = visitor.open(f"{server.address}/client/{code}/visits")
    expect(page.get_by_text(f"No visit of {code} is kept.")).to_be_visible()
    expect(page.get_by_text(f"No isometric test of {code} on Heron is kept.")).to_be_visible()
    visits = invent_visits(server, records, code)
    page.reload()
    expect(page.locator(".plain-list li")).to_have_count(3)
    found = records.trends.of_client(code, "Heron")
    assert found.curve is not None
    for figure in (*found.stations, found.curve.mean):
        assert figure.change is not None
        title = "Whole curve" if figure.degrees is None else f"At {figure.degrees:.0f}°"
        part = page.locator("section", has=page.get_by_role("heading", name=title)).last
        verdict = "A real change" if figure.change.real else "No change that can be told"
        expect(part.locator(".verdict")).to_contain_text(verdict)
        expect(part).to_contain_text(figure.change.text)
        expect(part.locator("svg").first).to_be_visible()
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        quiet = page.locator("figcaption").first.evaluate("part => getComputedStyle(part).color")
        label = page.locator("figure svg text").first
        assert label.evaluate("part => getComputedStyle(part).fill") == quiet
    page.emulate_media(color_scheme=None)
    last_row = page.locator("tbody tr").last
    last = found.stations[0].points[-1].torque.text().removesuffix(" N·m")
    expect(last_row.locator("td").first).to_have_text(last)
    expect(page.get_by_role("link", name=f"Review of visit {visits[2]}")).to_have_attribute(
        "href", f"/review/invented-{code}-2"
    )
    expect(page.get_by_role("link", name=f"Report of visit {visits[2]}")).to_be_visible()
    expect(page.get_by_role("link", name=f"Review of visit {visits[0]}")).to_have_count(0)
    assert visitor.troubles == []


@pytest.mark.parametrize("code", ["C-99999", "%3Cb%3Enobody"])
def test_a_code_that_is_none_is_told_in_words(server: Server, visitor: Visitor, code: str) -> None:
    page = visitor.open(f"{server.address}/client/{code}/visits")
    expect(page.locator(".notice").first).to_be_visible()
    assert "Traceback" not in page.content()
    assert visitor.troubles == []


HAND_MS = 300
"""Nobody chooses and reloads faster: the two go to the server on different ways."""


def test_a_visit_that_ends_is_in_the_list(
    server: Server, visitor: Visitor, records: Records
) -> None:
    page = sign_on(server, visitor)
    code = take_new_client(page, server.address)
    page.get_by_role("button", name="Begin the visit", exact=True).click()
    page.wait_for_url("**/visit")
    service = page.get_by_label("Service")
    for choice in ("spine-only", "", "spine-only"):
        page.wait_for_function("window.did_handshake")
        service.select_option(choice)
        page.wait_for_timeout(HAND_MS)
        page.reload()
        expect(service).to_have_value(choice)
    page.get_by_role("button", name="End the visit", exact=True).click()
    page.wait_for_url("**/review/**")
    expect(page.locator(".notice.good", has_text="Filed as visit")).to_be_visible()
    (line,) = records.visits.list(VisitFilter(client=code))
    assert (line.service, line.operator, line.results_total) == ("spine-only", "AB", 1)
    page.get_by_role("link", name=f"Visits and trend of {code}").click()
    page.wait_for_url(f"**/client/{code}/visits")
    review = page.get_by_role("link", name=f"Review of visit {line.visit_id}")
    expect(review).to_be_visible()
    assert visitor.troubles == []
