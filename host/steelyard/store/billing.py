"""Visits for the practice's billing: what was done, how long, the price by the practice's table."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from decimal import Decimal
from enum import Enum
from pathlib import Path
from typing import Final

from steelyard.calibration.whole_file import write_whole
from steelyard.errors import EntryError, StoreDiskError
from steelyard.store.database import Database
from steelyard.store.kept import VisitFilter, VisitLine
from steelyard.store.practice import practice_rules, zone_of
from steelyard.store.services import Services
from steelyard.store.visits import Visits

EARLIEST: Final = date(1990, 1, 1)
LATEST: Final = date(2190, 1, 1)
_HEADS: Final = (
    "date",
    "client",
    "visit",
    "service",
    "service_name",
    "minutes",
    "price",
    "currency",
    "machine",
    "operator",
)


class CsvStyle(Enum):
    """How the file is written: decimal dots and commas between fields, or what some countries use.

    ``COMMA``: decimal commas, semicolons between fields.
    """

    DOT = "dot"
    COMMA = "comma"


@dataclass(frozen=True)
class BillLine:
    """One visit on the bill; ``on`` is the date in the practice's time zone."""

    on: date
    client: str
    visit_id: int
    service: str
    service_name: str
    minutes: int | None
    price: Decimal | None
    machine: str
    operator: str


@dataclass(frozen=True)
class Bill:
    """Visits from the first to the last day, both included, oldest first.

    ``total`` is over the lines that have a price; ``unpriced_total`` counts those that have none.
    """

    first_day: date
    last_day: date
    currency: str
    lines: tuple[BillLine, ...]

    @property
    def total(self) -> Decimal:
        """Sum of all prices there are."""
        return sum((line.price for line in self.lines if line.price is not None), Decimal("0.00"))

    @property
    def unpriced_total(self) -> int:
        """Visits without a price: no service, or none in the table."""
        return sum(line.price is None for line in self.lines)

    def csv(self, style: CsvStyle = CsvStyle.DOT) -> str:
        """The lines as CSV with a head line; an unknown price or duration is empty."""
        separator, decimal = (",", ".") if style is CsvStyle.DOT else (";", ",")
        out = io.StringIO()
        writer = csv.writer(out, delimiter=separator, lineterminator="\r\n")
        writer.writerow(_HEADS)
        for line in self.lines:
            price = "" if line.price is None else str(line.price).replace(".", decimal)
            minutes = "" if line.minutes is None else line.minutes
            writer.writerow(
                (line.on.isoformat(), line.client, line.visit_id, line.service, line.service_name,
                 minutes, price, self.currency, line.machine, line.operator)
            )  # fmt: skip
        return out.getvalue()


class Billing:
    """Bills out of the log of visits."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def bill(self, first_day: date, last_day: date, client: str | None = None) -> Bill:
        """All visits from one day to another, of one client if given.

        Days are those of the practice's time zone.  Raises EntryError when they run backwards.
        """
        if not EARLIEST <= first_day <= last_day <= LATEST:
            raise EntryError(
                f"The bill would run from {first_day} to {last_day}.",
                f"Give the first day first; days lie between {EARLIEST} and {LATEST}.",
            )
        with self._database.reading() as session:
            rules = practice_rules(session)
        zone = zone_of(rules)
        wanted = VisitFilter(
            client=client,
            since=_midnight(first_day, zone),
            until=_midnight(last_day + timedelta(days=1), zone),
        )
        names = {one.code: one.name for one in Services(self._database).list()}
        visits = Visits(self._database).list(wanted)
        lines = tuple(_line(visit, zone, names) for visit in reversed(visits))
        return Bill(first_day, last_day, rules.currency, lines)


def _midnight(day: date, zone: tzinfo | None) -> datetime:
    """The day's first moment, in UTC."""
    local = datetime.combine(day, time())
    zoned = local.astimezone() if zone is None else local.replace(tzinfo=zone)
    return zoned.astimezone(UTC)


def _line(visit: VisitLine, zone: tzinfo | None, names: dict[str, str]) -> BillLine:
    local = visit.started_at.astimezone(zone)
    service = visit.service or ""
    return BillLine(
        local.date(),
        visit.client,
        visit.visit_id,
        service,
        names.get(service, ""),
        visit.minutes,
        visit.price,
        visit.machine,
        visit.operator,
    )


def save_csv(bill: Bill, path: Path, style: CsvStyle) -> None:
    """Write a bill; UTF-8 with its mark, so that spreadsheets know.  Raises StoreDiskError."""
    try:
        write_whole(path, bill.csv(style).encode("utf-8-sig"))
    except OSError as error:
        raise StoreDiskError(
            f"The bill could not be written to {path}: {error.strerror or error}.",
            "Check folder and space.",
        ) from error
