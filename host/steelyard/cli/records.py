"""``steelyard records``: copies and checks of the practice's records."""

from __future__ import annotations

from pathlib import Path

import click

from steelyard.cli.options import json_option
from steelyard.cli.practice_options import by_option, opened, plain_record, records_option
from steelyard.cli.words import write_json


@click.group()
def records() -> None:
    """The practice's records as a whole: copies, checks, audit trail, rules.

    A copy is made by itself on the first use of a day. Keep some on another disk too.
    """


@records.command()
@records_option
@json_option
def backup(place: str | None, as_json: bool) -> None:
    """Copy the records now, and check the copy."""
    with opened(place) as found:
        made = found.copies.make()
    if as_json:
        write_json(plain_record(made))
    else:
        click.echo(f"copied and checked: {made.path} ({made.size_bytes / 1e6:.1f} MB)")


@records.command()
@click.argument("copy", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask.")
@by_option
@records_option
def restore(copy: Path, yes: bool, by: str, place: str | None) -> None:
    """Put a copy back in place of the records; those it replaces are kept aside."""
    from steelyard.store import restore_records

    if not yes:
        click.confirm(f"Replace the records by {copy}?", abort=True)
    aside = restore_records(copy, place, operator=by)
    click.echo(f"put back: {copy}")
    if aside is not None:
        click.echo(f"what it replaced: {aside}")


@records.command()
@records_option
@json_option
def check(place: str | None, as_json: bool) -> None:
    """Check the database and follow the audit trail; list the copies there are."""
    with opened(place) as found:
        result, copies, where = found.check(), found.copies.list(), found.place
    if as_json:
        write_json(plain_record({"place": where, "audit": result, "copies": copies}))
        return
    click.echo(f"{where}: sound")
    click.echo(
        f"audit trail whole: {result.entries_total} entries, {result.erased_total} erased with "
        f"their clients, last link {result.head}"
    )
    for copy in copies:
        click.echo(f"copy {copy.path}")
    if not copies:
        click.echo("no copies yet")


@records.command()
@click.option("--client")
@click.option("--limit", type=click.IntRange(min=1), default=50, show_default=True)
@records_option
@json_option
def audit(client: str | None, limit: int, place: str | None, as_json: bool) -> None:
    """Show who changed what, newest first."""
    with opened(place) as found:
        entries = found.audit(client, limit)
    if as_json:
        write_json(plain_record(entries))
        return
    for one in entries:
        if one.at is None:
            click.echo(f"{one.number:6} (erased with its client)")
            continue
        change = f": {one.old!r} -> {one.new!r}" if one.old is not None else ""
        about = " ".join(filter(None, (one.client, one.what)))
        click.echo(f"{one.number:6} {one.at:%Y-%m-%d %H:%M} {one.who} {one.act} {about}{change}")
    if not entries:
        click.echo("nothing yet")
