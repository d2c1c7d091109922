"""Clients: codes and nothing else, searched as typed, changed without losing anybody's entry."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import (
    AlreadyKeptError,
    ChangedMeanwhileError,
    ClientCodeError,
    EntryError,
    NotKeptError,
)
from steelyard.store import Records
from steelyard.store.entry_checks import client_code, note_warnings
from steelyard.store.kept import Client


@pytest.mark.parametrize("code", ["C-001", "c-1", " AB-12345 ", "H-7", "C-001\n"])
def test_codes(code: str) -> None:
    assert client_code(code) == code.strip().upper()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Anna",
        "anna-1985",
        "Anna Example",
        "C001",
        "C-",
        "C-123456",
        "19850312",
        "A-19850312",
        "ABC-1",
        "C-٣",
        "С-001",  # a Cyrillic letter that looks like C
        "C-%",
        "C_001",
        "ſ-1",
    ],
)
def test_what_is_no_code_is_refused_with_the_rule(text: str) -> None:
    with pytest.raises(ClientCodeError, match="one or two letters, a hyphen, one to five digits"):
        client_code(text)


@given(st.text())
def test_any_text_is_a_code_or_is_refused(text: str) -> None:
    try:
        code = client_code(text)
    except ClientCodeError:
        return
    assert code.isascii()
    assert client_code(code) == code


def test_a_client_is_kept_as_entered(records: Records) -> None:
    note = "Ünïcode ☂, 50 % of _all_\nsecond line\t'quoted' \"twice\" \\ 日本"
    added = records.clients.add("c-001", note, "no load beyond 40 kg", 71.5, 1.78)
    assert records.clients.get("C-001") == added
    assert (added.note, added.body_mass_kg, added.stature_metres) == (note, 71.5, 1.78)
    assert added.version == 1


def test_duplicates_and_unknown_codes(records: Records) -> None:
    records.clients.add("C-001")
    with pytest.raises(AlreadyKeptError, match="C-001"):
        records.clients.add("c-001", "another one")
    assert records.clients.get("C-001").note == ""
    with pytest.raises(NotKeptError, match="C-002"):
        records.clients.get("C-002")


def test_an_empty_practice_lists_nothing(records: Records) -> None:
    assert records.clients.list() == []
    assert records.clients.list("anything") == []
    assert records.visits.list() == []
    assert records.clients.next_code() == "C-001"


def test_search_takes_signs_as_they_are_and_ignores_capitals(records: Records) -> None:
    records.clients.add("C-001", "gained 50% so far")
    records.clients.add("C-002", "gained 50 kilometres a week")
    records.clients.add("C-003", "snake_case")
    records.clients.add("C-004", "ÄRGER mit dem Knie\\Hüfte")

    def found(text: str) -> list[str]:
        return [line.code for line in records.clients.list(text)]

    assert found("50%") == ["C-001"]
    assert found("_") == ["C-003"]
    assert found("%") == ["C-001"]
    assert found("ärger") == ["C-004"]
    assert found("\\") == ["C-004"]
    assert found("/") == []
    assert found("' OR 1=1 --") == []
    assert found("c-00") == ["C-001", "C-002", "C-003", "C-004"]
    assert found("\x00gained 50%") == ["C-001"]
    assert len(records.clients.list(limit=2, offset=1)) == 2


def test_long_notes_and_what_no_database_takes(records: Records) -> None:
    note = "ö" * 10_000
    assert records.clients.add("C-001", note).note == note
    assert records.clients.get("C-001").note == note
    for bad in ("x" * 20_001, "nul \x00", "bell \x07", "half a sign \ud83d"):
        with pytest.raises(EntryError):
            records.clients.add("C-002", bad)
    assert [line.code for line in records.clients.list()] == ["C-001"]


@pytest.mark.parametrize(("mass", "height"), [(5.0, 1.7), (float("nan"), 1.7), (70.0, 17.0)])
def test_bodies_that_nobody_has(records: Records, mass: float, height: float) -> None:
    with pytest.raises(EntryError, match="not between"):
        records.clients.add("C-001", body_mass_kg=mass, stature_metres=height)


def test_two_operators_change_one_client(
    records: Records, another: Callable[[str], Records]
) -> None:
    other = another("CD")
    mine = records.clients.add("C-001", "as added")
    theirs = other.clients.get("C-001")
    other.clients.change(dataclasses.replace(theirs, note="theirs"))
    with pytest.raises(ChangedMeanwhileError, match="changed meanwhile"):
        records.clients.change(dataclasses.replace(mine, note="mine", cautions="mine"))
    assert records.clients.get("C-001").note == "theirs"
    assert records.clients.get("C-001").cautions == ""
    again = records.clients.change(dataclasses.replace(records.clients.get("C-001"), note="mine"))
    assert again.version == 3


def test_a_change_of_nothing_leaves_no_trace(records: Records) -> None:
    added = records.clients.add("C-001", "note")
    assert records.clients.change(added) == added
    assert len(records.audit()) == 1


def test_changes_are_in_the_audit_trail_with_old_and_new(records: Records) -> None:
    added = records.clients.add("C-001", "old")
    records.clients.change(dataclasses.replace(added, note="new", body_mass_kg=80.0))
    mass, note, first = records.audit("C-001")
    assert (note.what, note.old, note.new, note.who, note.act) == (
        "note", "old", "new", "AB", "client changed",
    )  # fmt: skip
    assert (mass.what, mass.old, mass.new) == ("body_mass_kg", None, 80.0)
    assert first.act == "client added"


def test_codes_are_counted_on(records: Records) -> None:
    for code in ("C-001", "C-041", "D-077"):
        records.clients.add(code)
    assert records.clients.next_code() == "C-042"
    assert records.clients.next_code("D") == "D-078"
    records.clients.add("C-99999")
    with pytest.raises(ClientCodeError):
        records.clients.next_code()


def test_notes_that_tell_who_it_is_are_warned_of() -> None:
    assert note_warnings("seat mark 7, right knee stiff, 40 kg x 10") == []
    for note in ("a.person@example.org", "call +49 170 1234567", "born 12.3.1985", "Mrs Example"):
        assert note_warnings(note), note


def test_nobody_writes_without_saying_who(place: str) -> None:
    from steelyard.store import open_records

    with open_records(place) as nameless:
        assert nameless.clients.list() == []
        with pytest.raises(EntryError, match="Nobody said who"):
            nameless.clients.add("C-001")
    with pytest.raises(EntryError, match="initials"):
        open_records(place, operator="A. Name")


def test_records_are_plain(records: Records) -> None:
    added = records.clients.add("C-001")
    assert type(added) is Client
    assert dataclasses.asdict(added)["code"] == "C-001"
