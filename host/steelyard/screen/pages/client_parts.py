"""The parts of the client's page: entry, set-up of the machine, consent."""

from __future__ import annotations

from dataclasses import replace

from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.parts import box, button, notice, section, text
from steelyard.screen.pages.refusals import guarded
from steelyard.store.settings import SETTINGS


def entry_part(bench: Bench) -> None:
    """Note, cautions, mass and height."""
    records, code = bench.desk.records, bench.desk.client_code
    client = records.clients.get(code)
    form = Form(
        note=client.note,
        cautions=client.cautions,
        mass=_shown(client.body_mass_kg),
        height=_shown(client.stature_metres),
    )

    def save() -> None:
        records.clients.change(
            replace(
                client,
                note=form["note"],
                cautions=form["cautions"],
                body_mass_kg=form.number("mass", "the mass"),
                stature_metres=form.number("height", "the height"),
            )
        )

    with section("Entry"):
        form.field("note", "Note", "Nothing that tells who it is.", long=True)
        form.field("cautions", "Cautions", "Shown before a maximal test.", long=True)
        form.field("mass", "Body mass, kg", inputmode="decimal")
        form.field("height", "Height, m", inputmode="decimal")
        button("Save the entry", guarded(save), "quiet")


def set_up_part(bench: Bench) -> None:
    """How the machine was set; saving makes a new set-up, the old ones stay."""
    records, code, machine = bench.desk.records, bench.desk.client_code, bench.desk.profile.name
    current = records.set_ups.current(code, machine)
    values = dict(current.values) if current else {}
    form = Form(**{name: str(value) for name, value in values.items()})

    def save() -> None:
        kept = {name: form[name] for name in SETTINGS if form[name]}
        records.set_ups.save(code, machine, kept, current.number if current else 0)

    def undo() -> None:
        history = records.set_ups.history(code, machine)
        records.set_ups.save(code, machine, history[1].values, history[0].number)

    with section(f"Set-up of {machine}", "wide"):
        if current is not None:
            text("p", f"Set-up {current.number}, saved by {current.saved_by}.", "quiet")
        with box("div", "fields"):
            for name, setting in SETTINGS.items():
                unit = f", {setting.unit}" if setting.unit else ""
                form.field(name, name.removesuffix("_kg").replace("_", " ") + unit, setting.meaning)
        with box("div", "row"):
            button("Save the set-up", guarded(save), "quiet")
            if current is not None and current.number > 1:
                button("Back to the one before", guarded(undo), "quiet", key="back")


def consent_part(bench: Bench) -> None:
    """Whether the client agreed to maximal tests, having been told the practice's text."""
    records, code = bench.desk.records, bench.desk.client_code
    state = records.consents.state(code)
    with section("Consent to maximal tests"):
        if state.in_force:
            notice("good", "The client's consent is in force.")
            button(
                "The client takes it back",
                guarded(lambda: records.consents.withdraw(code)),
                "quiet",
            )
            return
        notice("care", f"No consent: {state.reason}")
        text("p", records.practice.rules().consent_text)
        button("The client agrees", guarded(lambda: records.consents.give(code)), "quiet")


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
