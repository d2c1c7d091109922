"""Choosing the client, and beginning the visit."""

from __future__ import annotations

from dataclasses import replace

from nicegui import ui

from steelyard.errors import ActionRefusedError, SteelyardError
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.client_parts import consent_part, entry_part, set_up_part
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.limits_part import limits_part
from steelyard.screen.pages.parts import box, button, empty, facts, notice, section, text
from steelyard.screen.pages.refusals import guarded
from steelyard.screen.pages.watching import follow
from steelyard.strength.session_analysis import SessionFacts

SHOWN_CLIENTS = 40


def client_page(bench: Bench) -> None:
    """Build the page."""
    desk = bench.desk
    search = Form()
    with frame(bench, "Client and set-up", "/client"):
        follow(lambda: [desk.client_code, _lines(bench, search)], lambda: _list(bench, search))
        follow(lambda: desk.client_code, lambda: _chosen(bench))


def _lines(bench: Bench, search: Form) -> list[tuple[str, str, int]]:
    try:
        found = bench.desk.records.clients.list(search["search"], SHOWN_CLIENTS)
    except SteelyardError:
        return []
    return [(one.code, one.note, one.visits_total) for one in found]


def _list(bench: Bench, search: Form) -> None:
    desk = bench.desk
    with section("Clients, by code"):
        if not desk.operator:
            notice("care", "Sign on first (page Today): only then clients can be added or changed.")
        search.field("search", "Search code and note")
        with box("ul", "plain-list"):
            for code, note, visits in _lines(bench, search):
                with box("li"):
                    kind = "main" if code == desk.client_code else "quiet"
                    button(code, lambda code=code: setattr(desk, "client_code", code), kind)
                    text("span", f"{note[:60]} · {visits} visits" if note else f"{visits} visits")
        button("New client", guarded(lambda: _add(bench)))


def _add(bench: Bench) -> None:
    desk = bench.desk
    desk.client_code = desk.records.clients.add(desk.records.clients.next_code()).code


def _chosen(bench: Bench) -> None:
    desk = bench.desk
    if not desk.client_code:
        with section("No client is chosen"):
            empty("Choose one from the list, or add one.", "Clients go by code, never by name.")
        return
    # Each part follows its own state: what is typed into one outlives the saving of another.
    records, code, machine = desk.records, desk.client_code, desk.profile.name
    follow(
        lambda: [records.clients.get(code), desk.visits.visit is None], lambda: _begin_part(bench)
    )
    follow(lambda: records.clients.get(code), lambda: entry_part(bench))
    follow(lambda: records.set_ups.current(code, machine), lambda: set_up_part(bench))
    follow(lambda: records.limits.current(code, machine), lambda: limits_part(bench))
    follow(lambda: records.consents.state(code).in_force, lambda: consent_part(bench))


def _begin_part(bench: Bench) -> None:
    desk = bench.desk
    client = desk.records.clients.get(desk.client_code)
    with section(f"Visit of {client.code}"):
        if client.cautions:
            notice("care", client.cautions)
        if desk.visits.visit is not None:
            notice("plain", f"A visit of {desk.visits.visit.client_code} is going on.")
            text("a", "Go on with the visit", "act main", href="/visit", data_key="next")
            return
        facts({"machine": desk.profile.name, "client": client.code})
        text("a", "Visits and trend", "act quiet", href=f"/client/{client.code}/visits")
        form = Form()
        form.tick("response", "Test once more after the set, to see what it took out")
        button("Begin the visit", guarded(lambda: _begin(bench, form)), "main", key="next")


async def _begin(bench: Bench, form: Form) -> None:
    desk = bench.desk
    if not desk.operator:
        raise ActionRefusedError("Nobody is signed on.", "Sign on first, on the page Today.")
    records, code = desk.records, desk.client_code
    client = records.clients.get(code)
    limits = records.limits.current(code, desk.profile.name)
    set_up = records.set_ups.current(code, desk.profile.name)
    values = set_up.values if set_up else {}
    facts_of = SessionFacts(
        crank_turns=_number(values.get("counterweight_turns")),
        stack_kg=_number(values.get("plates_kg")),
        body_mass_kg=client.body_mass_kg,
        stature_metres=client.stature_metres,
    )
    if limits is not None:
        given = limits.limits
        facts_of = replace(
            facts_of,
            client_range=given.client_range,
            prescription=given.prescription,
            stop_rules=given.stop_rules,
            effort_limits=given.effort_limits,
        )
    await desk.begin_visit(code, facts_of, bool(form["response"]))
    ui.navigate.to("/visit")


def _number(value: str | float | None) -> float | None:
    return None if value is None or value == "" else float(value)
