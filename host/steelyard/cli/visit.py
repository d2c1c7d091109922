"""``steelyard visit``: the log of visits, and bills from it."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import click

from steelyard.cli.options import json_option
from steelyard.cli.practice_options import (
    Amount,
    LocalTime,
    by_option,
    first_line,
    opened,
    plain_record,
    records_option,
    shown_time,
)
from steelyard.cli.words import write_json

TIME = LocalTime()


@click.group()
def visit() -> None:
    """Visits: log them, list them, bill them."""


@visit.command()
@click.argument("client")
@click.argument("machine")
@click.option("--start", type=TIME, help="Such as 2026-05-04T09:30; without it, now.")
@click.option("--end", type=TIME)
@click.option("--service", help="A key of the practice's table; see: steelyard visit services.")
@click.option("--minutes", type=int, help="Without it, the service's, or from start to end.")
@click.option("--price", type=Amount(), help="Without it, the service's.")
@click.option("--note", default="")
@click.option("--repeat-of", type=int, help="Visit whose test this one repeats, untrained.")
@by_option
@records_option
@json_option
def log(
    client: str,
    machine: str,
    start: datetime | None,
    end: datetime | None,
    service: str | None,
    minutes: int | None,
    price: Decimal | None,
    note: str,
    repeat_of: int | None,
    by: str,
    place: str | None,
    as_json: bool,
) -> None:
    """Log a visit of CLIENT on MACHINE."""
    from steelyard.store.kept import NewVisit

    started = start or datetime.now().astimezone()
    with opened(place, by) as records:
        kept = records.visits.log(
            NewVisit(
                client, machine, started, end, service, minutes, price, note=note,
                repeat_of=repeat_of,
            )
        )  # fmt: skip
    write_json(plain_record(kept)) if as_json else click.echo(
        f"visit {kept.visit_id}: {kept.client} on {kept.machine}, {shown_time(kept.started_at)}"
    )


@visit.command("list")
@click.argument("search", default="")
@click.option("--client")
@click.option("--machine")
@click.option("--service")
@click.option("--since", type=TIME)
@click.option("--until", type=TIME)
@click.option("--limit", type=click.IntRange(min=1), default=50, show_default=True)
@records_option
@json_option
def list_visits(
    search: str,
    client: str | None,
    machine: str | None,
    service: str | None,
    since: datetime | None,
    until: datetime | None,
    limit: int,
    place: str | None,
    as_json: bool,
) -> None:
    """List visits, newest first; with SEARCH, those that have the text somewhere."""
    from steelyard.store.kept import VisitFilter

    wanted = VisitFilter(client, machine, service, since, until, search)
    with opened(place) as records:
        found = records.visits.list(wanted, limit=limit)
        total = records.visits.count(wanted)
    if as_json:
        write_json(plain_record(found))
        return
    for one in found:
        minutes = "" if one.minutes is None else f", {one.minutes} min"
        click.echo(
            f"{one.visit_id:6} {shown_time(one.started_at)}  {one.client} on {one.machine}, "
            f"{one.service or 'no service'}{minutes}, {one.results_total} results  "
            f"{first_line(one.note)}".rstrip()
        )
    click.echo(f"{len(found)} of {total} visits" if found else "no visits")


@visit.command()
@click.option("--from", "first_day", type=click.DateTime(["%Y-%m-%d"]), required=True)
@click.option("--to", "last_day", type=click.DateTime(["%Y-%m-%d"]), required=True)
@click.option("--client")
@click.option(
    "--decimal",
    type=click.Choice(["dot", "comma"]),
    default="dot",
    show_default=True,
    help="comma: decimal commas, and semicolons between fields.",
)
@click.option("--output", "-o", type=click.Path(path_type=Path), help="File; without it, shown.")
@records_option
@json_option
def bill(
    first_day: datetime,
    last_day: datetime,
    client: str | None,
    decimal: str,
    output: Path | None,
    place: str | None,
    as_json: bool,
) -> None:
    """Write visits of some days as CSV for the practice's billing, both days included."""
    from steelyard.store.billing import CsvStyle, save_csv

    with opened(place) as records:
        made = records.billing.bill(first_day.date(), last_day.date(), client)
    style = CsvStyle(decimal)
    if as_json:
        lines = [{**plain_record(line), "on": str(line.on)} for line in made.lines]
        write_json({"currency": made.currency, "total": str(made.total), "lines": lines})
    elif output is None:
        click.echo(made.csv(style).replace("\r\n", "\n"), nl=False)
    else:
        save_csv(made, output, style)
    click.echo(f"{len(made.lines)} visits, total {made.total} {made.currency}".rstrip(), err=True)
    if made.unpriced_total:
        click.echo(f"warning: {made.unpriced_total} visits have no price", err=True)


@visit.command()
@click.argument("key", required=False)
@click.option("--name")
@click.option("--minutes", type=int)
@click.option("--price", type=Amount())
@click.option("--offered/--withdrawn", default=None, help="Whether it can still be chosen.")
@by_option
@records_option
@json_option
def services(
    key: str | None,
    name: str | None,
    minutes: int | None,
    price: Decimal | None,
    offered: bool | None,
    by: str,
    place: str | None,
    as_json: bool,
) -> None:
    """Show the practice's table of services; with KEY, add or change one."""
    from steelyard.store.kept import Service

    given = {"name": name, "minutes": minutes, "price": price, "offered": offered}
    changes = {field: value for field, value in given.items() if value is not None}
    with opened(place, by) as records:
        if key is not None and changes:
            known = {one.code: one for one in records.services.list()}
            start = known.get(key, Service(key, name or key))
            records.services.save(dataclasses.replace(start, **changes))  # type: ignore[arg-type]
        found = records.services.list()
        currency = records.practice.rules().currency
    if as_json:
        write_json(plain_record(found))
        return
    for one in found:
        cost = "no price" if one.price is None else f"{one.price} {currency}".rstrip()
        minutes_text = "" if one.minutes is None else f", {one.minutes} min"
        ended = "" if one.offered else ", no longer offered"
        click.echo(f"{one.code:24} {one.name}: {cost}{minutes_text}{ended}")
