"""``steelyard client``: clients by code."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import click

from steelyard.cli.client_limits import limits
from steelyard.cli.client_trend import trend
from steelyard.cli.options import json_option
from steelyard.cli.practice_options import (
    by_option,
    first_line,
    opened,
    plain_record,
    records_option,
    shown_time,
)
from steelyard.cli.words import write_json


@click.group()
def client() -> None:
    """Clients by code: set-ups, limits, consent, trend, export, deletion.

    A code is one or two letters, a hyphen and one to five digits (C-001). Names have no place
    here. Whether a client may make a maximal effort is decided by licensed professionals.
    """


client.add_command(limits)
client.add_command(trend)


@client.command()
@click.argument("code", required=False)
@click.option("--note", default="", help="Free text; no names, birthdays or diagnoses.")
@click.option("--cautions", default="", help="Shown before a maximal test.")
@click.option("--mass", "body_mass_kg", type=float, help="kg, to check the balance against.")
@click.option("--height", "stature_metres", type=float, help="m, to check the balance against.")
@by_option
@records_option
@json_option
def add(
    code: str | None,
    note: str,
    cautions: str,
    body_mass_kg: float | None,
    stature_metres: float | None,
    by: str,
    place: str | None,
    as_json: bool,
) -> None:
    """Add a client; without CODE, under the next free one."""
    from steelyard.store.entry_checks import note_warnings

    with opened(place, by) as records:
        wanted = records.clients.next_code() if code is None else code
        added = records.clients.add(wanted, note, cautions, body_mass_kg, stature_metres)
    for warning in note_warnings(f"{note}\n{cautions}"):
        click.echo(f"warning: {warning}", err=True)
    write_json(plain_record(added)) if as_json else click.echo(f"added {added.code}")


@client.command("list")
@click.argument("search", default="")
@records_option
@json_option
def list_clients(search: str, place: str | None, as_json: bool) -> None:
    """List clients, or those with a text in code or note."""
    with opened(place) as records:
        found = records.clients.list(search)
    if as_json:
        write_json(plain_record(found))
        return
    for one in found:
        click.echo(
            f"{one.code:9} {one.visits_total:4} visits, last {shown_time(one.last_visit_at):16}  "
            f"{first_line(one.note)}".rstrip()
        )
    if not found:
        click.echo("no clients" + (f" with “{search}”" if search else " yet"))


@client.command()
@click.argument("code")
@records_option
@json_option
def show(code: str, place: str | None, as_json: bool) -> None:
    """Show what is kept of one client."""
    from steelyard.store.kept import VisitFilter

    with opened(place) as records:
        one = records.clients.get(code)
        set_ups = records.set_ups.history(code)
        kept_limits = records.limits.history(code)
        consent = records.consents.state(code)
        visits = records.visits.list(VisitFilter(client=code))
    current = list({item.machine: item for item in reversed(set_ups)}.values())
    asked = list({item.machine: item for item in reversed(kept_limits)}.values())
    if as_json:
        write_json(
            plain_record(
                {"client": one, "set_ups": current, "limits": asked, "consent": consent,
                 "visits": visits}
            )
        )  # fmt: skip
        return
    click.echo(f"{one.code}, added {shown_time(one.added_at)}")
    for name, text in (("note", one.note), ("CAUTIONS", one.cautions)):
        if text:
            click.echo(f"{name}: {text}")
    for item in current:
        values = ", ".join(f"{key} {value}" for key, value in item.values.items())
        click.echo(f"set-up on {item.machine} ({shown_time(item.saved_at)}): {values}")
    for entry in asked:
        click.echo(f"limits on {entry.machine}: entered by {entry.entered_by}")
    click.echo("consent: " + ("in force" if consent.in_force else consent.reason))
    click.echo(f"{len(visits)} visits, last {shown_time(visits[0].started_at if visits else None)}")


@client.command()
@click.argument("code")
@click.option("--text", help="The new note.")
@click.option("--cautions", help="The new cautions.")
@by_option
@records_option
def note(code: str, text: str | None, cautions: str | None, by: str, place: str | None) -> None:
    """Change a client's note or cautions."""
    from steelyard.store.entry_checks import note_warnings

    with opened(place, by) as records:
        found = records.clients.get(code)
        wanted = dataclasses.replace(
            found,
            note=found.note if text is None else text,
            cautions=found.cautions if cautions is None else cautions,
        )
        kept = records.clients.change(wanted)
    for warning in note_warnings(f"{text or ''}\n{cautions or ''}"):
        click.echo(f"warning: {warning}", err=True)
    click.echo(f"{kept.code}: " + ("changed" if kept != found else "nothing to change"))


@client.command("set-up")
@click.argument("code")
@click.argument("machine")
@click.argument("values", nargs=-1, metavar="[KEY=VALUE]...")
@by_option
@records_option
@json_option
def set_up(
    code: str, machine: str, values: tuple[str, ...], by: str, place: str | None, as_json: bool
) -> None:
    """Show or change how MACHINE is set for a client, as in seat_height=7 plates_kg=40.

    KEY= takes a setting away. The others stay as they were.
    """
    from steelyard.store.settings import SETTINGS

    changes = dict(_pair(value) for value in values)
    with opened(place, by) as records:
        kept = records.set_ups.current(code, machine)
        if changes:
            before = kept.values if kept else {}
            based_on = kept.number if kept else 0
            kept = records.set_ups.save(code, machine, {**before, **changes}, based_on)
    if as_json:
        write_json(plain_record(kept))
        return
    if kept is None:
        click.echo("no set-up yet; there can be:")
        for key, setting in SETTINGS.items():
            unit = f" [{setting.unit}]" if setting.unit else ""
            click.echo(f"  {key}: {setting.meaning}{unit}")
        return
    click.echo(f"set-up {kept.number} on {kept.machine}, {shown_time(kept.saved_at)}")
    for key, value in kept.values.items():
        click.echo(f"  {key}: {value} {SETTINGS[key].unit}".rstrip())


def _pair(text: str) -> tuple[str, str]:
    key, sign, value = text.partition("=")
    if not sign:
        raise click.BadParameter(f"{text!r} is not of the form KEY=VALUE")
    return key, value


@client.command()
@click.argument("code")
@click.option("--given", is_flag=True, help="The client agreed, having been told the text.")
@click.option("--withdrawn", is_flag=True, help="The client takes it back.")
@by_option
@records_option
@json_option
def consent(
    code: str, given: bool, withdrawn: bool, by: str, place: str | None, as_json: bool
) -> None:
    """Show, give or withdraw a client's consent to maximal tests."""
    from steelyard.store.consents import SCREENING

    if given and withdrawn:
        raise click.UsageError("--given and --withdrawn at once make no sense")
    with opened(place, by) as records:
        rules = records.practice.rules()
        if given:
            records.consents.give(code)
        if withdrawn:
            records.consents.withdraw(code)
        state = records.consents.state(code)
    if as_json:
        write_json(plain_record(state))
        return
    click.echo(f"text {rules.consent_text_version}: {rules.consent_text}")
    click.echo("consent: " + ("in force" if state.in_force else state.reason))
    click.echo(SCREENING)


@client.command()
@click.argument("code")
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--recordings", "recordings_too", is_flag=True, help="The recordings as well.")
@records_option
def export(code: str, target: Path, recordings_too: bool, place: str | None) -> None:
    """Write a client's whole record into a new folder, or a zip if TARGET ends so."""
    with opened(place) as records:
        written = records.export_client(code, target, recordings_too=recordings_too)
    click.echo(f"written: {written}")


@client.command()
@click.argument("code")
@click.option("--recordings", "recordings_too", is_flag=True, help="The recordings as well.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@by_option
@records_option
@json_option
def delete(
    code: str, recordings_too: bool, yes: bool, by: str, place: str | None, as_json: bool
) -> None:
    """Delete a client for good: from the records and their copies. It cannot be undone."""
    with opened(place, by) as records:
        one = records.clients.get(code)
        if not yes:
            click.confirm(f"Delete {one.code} and all that is kept of it, for good?", abort=True)
        done = records.delete_client(code, recordings_too=recordings_too)
    if as_json:
        write_json(plain_record(done))
        return
    click.echo(
        f"deleted: {done.visits_total} visits, {done.results_total} results, content of "
        f"{done.audit_entries_erased} audit entries; {done.copies_cleaned} copies cleaned"
    )
    for file in done.recordings_deleted:
        click.echo(f"recording deleted: {file.path}")
    for file in done.recordings_left:
        click.echo(f"recording still there: {file.path}")
    for remark in done.remarks:
        click.echo(remark)
