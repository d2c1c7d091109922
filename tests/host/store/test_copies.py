"""Copies: once a day, whole, put back; a full disk keeps nobody from working."""

from __future__ import annotations

import os
import sqlite3
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest
from host.store.conftest import Clock
from steelyard.errors import (
    NotKeptError,
    StoreDamagedError,
    StoreDiskError,
    StoreError,
)
from steelyard.store import Records, copies, open_records, restore_records


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "practice"


def names(records: Records) -> list[str]:
    return [copy.path.name.removesuffix(copies.SUFFIX) for copy in records.copies.list()]


def opened(home: Path, clock: Clock) -> Records:
    return open_records(home, operator="AB", now=clock)


def test_one_copy_a_day_and_old_ones_go(home: Path, clock: Clock) -> None:
    with opened(home, clock) as records:
        records.clients.add("C-001")
        assert names(records) == []  # a database just made holds nothing worth a copy
    for _ in range(2):
        opened(home, clock).close()
    clock.forward(days=1)
    opened(home, clock).close()
    with opened(home, clock) as records:
        assert names(records) == ["2026-05-05", "2026-05-04"]
    clock.forward(days=29.5)
    with opened(home, clock) as records:
        assert names(records) == ["2026-06-03", "2026-05-05", "2026-05-04"]
    clock.forward(days=1)
    with opened(home, clock) as records:
        assert names(records) == ["2026-06-04", "2026-06-03", "2026-05-05"]
    clock.forward(days=365)
    with opened(home, clock) as records:
        assert names(records) == ["2027-06-04"]


def test_a_copy_made_while_others_write_is_whole(home: Path, clock: Clock) -> None:
    stop = threading.Event()
    with opened(home, clock) as records:

        def write() -> None:
            number = 0
            while not stop.is_set():
                number += 1
                records.clients.add(f"C-{number}", "n" * 500)

        writer = threading.Thread(target=write)
        writer.start()
        try:
            made = [records.copies.make(f"number-{n}") for n in range(5)]
        finally:
            stop.set()
            writer.join()
        for copy in made:
            copies.require_sound(copy.path)
        assert not records.copies.leftovers()


def test_a_copy_is_put_back_while_another_program_looks(home: Path, clock: Clock) -> None:
    with opened(home, clock) as records:
        records.clients.add("C-001", "as it was")
        copy = records.copies.make()
        records.clients.add("C-002")
        clock.forward(hours=1)
        aside = restore_records(copy.path, home, operator="CD", now=clock)
        assert [line.code for line in records.clients.list()] == ["C-001"]
        last = records.audit(limit=1)[0]
        assert (last.who, last.act) == ("CD", "copy put back")
        records.check()
        records.clients.add("C-003")
    assert aside is not None
    restore_records(aside, home, operator="CD", now=clock)
    with opened(home, clock) as records:
        assert [line.code for line in records.clients.list()] == ["C-001", "C-002"]


@pytest.mark.parametrize("damage", ["torn", "text", "zeros"])
def test_a_damaged_database_is_said_and_replaced(home: Path, clock: Clock, damage: str) -> None:
    with opened(home, clock) as records:
        records.clients.add("C-001")
        copy = records.copies.make()
    file = home / "practice.records"
    content = file.read_bytes()
    file.write_bytes(
        {
            "torn": content[: len(content) // 2],
            "text": b"this is no database at all" * 1000,
            "zeros": content[:4096] + bytes(len(content) - 4096),
        }[damage]
    )
    with pytest.raises((StoreDamagedError, StoreError)) as refused:
        with opened(home, clock) as records:
            records.check()
    assert "practice.records" in str(refused.value)
    clock.forward(minutes=1)
    aside = restore_records(copy.path, home, operator="AB", now=clock)
    assert aside is not None
    assert aside.exists()
    with opened(home, clock) as records:
        assert [line.code for line in records.clients.list()] == ["C-001"]
        records.check()


def test_a_damaged_copy_is_refused_and_nothing_changes(home: Path, clock: Clock) -> None:
    with opened(home, clock) as records:
        records.clients.add("C-001")
        copy = records.copies.make()
        records.clients.add("C-002")
        content = bytearray(copy.path.read_bytes())
        content[5000:9000] = bytes(4000)
        copy.path.write_bytes(content)
        with pytest.raises(StoreDamagedError):
            restore_records(copy.path, home, operator="AB", now=clock)
        with pytest.raises(NotKeptError):
            restore_records(home / "nothing", home, operator="AB", now=clock)
        assert len(records.clients.list()) == 2


def test_a_full_disk_on_opening_is_a_warning(
    home: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(home, clock).close()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(copies, "os", SimpleNamespace(**{**vars(os), "open": full}))
    with opened(home, clock) as records:
        assert "No space left" in records.warnings[0]
        records.clients.add("C-001")
        with pytest.raises(StoreDiskError, match="No space left"):
            records.copies.make()
    assert not list((home / "copies").iterdir())


def test_a_full_database_is_said_and_the_session_goes_on(home: Path, clock: Clock) -> None:
    """SQLite itself is told that no page more can be had: the error is the real one."""
    with opened(home, clock) as records:
        records.clients.add("C-001")

        def at_most(pages: int) -> None:
            with records._database.engine.connect() as connection:
                connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")

        at_most(1)
        with pytest.raises(StoreDiskError, match="disk is full"):
            records.clients.add("C-002", "n" * 20_000)
        assert [line.code for line in records.clients.list()] == ["C-001"]
        records.check()
        at_most(1_000_000)
        records.clients.add("C-002", "n" * 20_000)
        assert records.check().entries_total == 2


def test_a_file_held_by_another_program(
    home: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    from steelyard.store import database

    monkeypatch.setattr(database, "BUSY_SECONDS", 0.2)
    with opened(home, clock) as records:
        other = sqlite3.connect(home / "practice.records", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        try:
            with pytest.raises(StoreDiskError, match="another program"):
                records.clients.add("C-001")
            assert records.clients.list() == []  # reading goes on
        finally:
            other.close()
        records.clients.add("C-001")


def test_servers_have_their_own_copies(server_place: str, clock: Clock) -> None:
    with open_records(server_place, operator="AB", now=clock) as records:
        assert records.copies.list() == []
        with pytest.raises(StoreError, match="server"):
            records.copies.make()
    with pytest.raises(StoreError, match="server"):
        restore_records(Path("x"), server_place, operator="AB")
