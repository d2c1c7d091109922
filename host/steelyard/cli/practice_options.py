"""What the commands on a practice's records share."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from datetime import datetime
from decimal import Decimal, InvalidOperation
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from steelyard.store import Records

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

records_option = click.option(
    "--records",
    "place",
    metavar="PLACE",
    help="Folder, or postgresql://user@host/database; without it, STEELYARD_RECORDS or the "
    "user's data folder.",
)
by_option = click.option(
    "--by",
    envvar="STEELYARD_OPERATOR",
    default="",
    metavar="INITIALS",
    help="Who enters this, for the audit trail. Also: STEELYARD_OPERATOR.",
)


def opened(place: str | None, by: str = "") -> Records:
    """The practice's records; what could not be done on opening goes to standard error."""
    from steelyard.store import open_records

    found = open_records(place, operator=by)
    for warning in found.warnings:
        click.echo(f"warning: {warning}", err=True)
    return found


def plain_record(value: Any) -> Any:
    """Records as JSON has them."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            item.name: plain_record(getattr(value, item.name)) for item in dataclasses.fields(value)
        }
    if isinstance(value, (list, tuple)):
        return [plain_record(item) for item in value]
    if isinstance(value, dict):
        return {key: plain_record(item) for key, item in value.items()}
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    return str(value) if isinstance(value, (Decimal, Path)) else value


class LocalTime(click.ParamType[datetime]):
    """A date and time of this computer's zone, or with a zone of its own."""

    name = "time"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> datetime:
        """Such as 2026-05-04T09:30."""
        if isinstance(value, datetime):
            return value
        try:
            found = datetime.fromisoformat(value)
            return found if found.tzinfo else found.astimezone()
        except (ValueError, OverflowError):
            self.fail(f"{value!r} is no time such as 2026-05-04T09:30", param, ctx)


class Amount(click.ParamType[Decimal]):
    """An amount of money, exact."""

    name = "amount"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Decimal:
        """Such as 45.50."""
        try:
            return Decimal(value)
        except InvalidOperation:
            self.fail(f"{value!r} is no amount such as 45.50", param, ctx)


def shown_time(at: datetime | None) -> str:
    """A time in this computer's zone, to the minute."""
    return "-" if at is None else f"{at.astimezone():%Y-%m-%d %H:%M}"


def first_line(text: str, most: int = 60) -> str:
    """A note in a list: its first line, shortened."""
    line = text.strip().splitlines()[0] if text.strip() else ""
    return line if len(line) <= most else line[: most - 3] + "..."
