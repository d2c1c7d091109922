"""Records on both databases: every test that takes ``records`` or ``place`` runs on each."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from host.store import postgres
from steelyard.store import Records, open_records

_NUMBERS = itertools.count(1)


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """URL of a PostgreSQL server with ``{}`` in place of the database."""
    reason = postgres.why_not()
    if reason:
        pytest.skip(reason)
    with postgres.running_server() as url:
        yield url


@pytest.fixture
def server_place(server: str) -> str:
    """A fresh database on the server."""
    return fresh_database(server)


def fresh_database(server: str) -> str:
    import psycopg

    name = f"practice{next(_NUMBERS)}"
    with psycopg.connect(server.format("postgres"), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")  # type: ignore[call-overload]
    return server.format(name)


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return str(tmp_path / "practice")
    return str(request.getfixturevalue("server_place"))


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **by: float) -> datetime:
        self.now += timedelta(**by)
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def records(place: str, clock: Clock) -> Iterator[Records]:
    with open_records(place, operator="AB", now=clock) as opened:
        yield opened


@pytest.fixture
def another(place: str, clock: Clock) -> Iterator[Callable[[str], Records]]:
    """The same records, opened once more by another operator."""
    opened: list[Records] = []

    def open_again(operator: str) -> Records:
        opened.append(open_records(place, operator=operator, now=clock))
        return opened[-1]

    yield open_again
    for one in opened:
        one.close()
