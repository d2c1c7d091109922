"""The audit trail: edits, cuts and swaps are noticed."""

from __future__ import annotations

import pytest
from host.store.conftest import Clock
from sqlalchemy import text
from steelyard.errors import StoreDamagedError
from steelyard.store import Records


def entries(records: Records) -> None:
    for code in ("C-001", "C-002", "C-003"):
        records.clients.add(code, "a note")
    records.consents.give("C-002")


def tamper(records: Records, statement: str) -> None:
    with records._database.engine.begin() as connection:
        connection.execute(text(statement))


def test_the_chain_of_untouched_entries_is_whole(records: Records, clock: Clock) -> None:
    assert records.check_audit().entries_total == 0
    entries(records)
    found = records.check()
    assert (found.entries_total, found.erased_total) == (4, 0)
    assert [entry.number for entry in records.audit()] == [4, 3, 2, 1]
    assert [entry.number for entry in records.audit(limit=1, before=3)] == [2]
    assert records.audit("C-002")[0].act == "consent given"
    assert records.audit()[0].at == clock.now


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit SET entry = REPLACE(entry, 'AB', 'CD') WHERE number = 2",
        "UPDATE audit SET salt = '00' WHERE number = 3",
        "UPDATE audit SET digest = link WHERE number = 1",
        "UPDATE audit SET client_id = 1 WHERE number = 2",
        "UPDATE audit SET entry = NULL, salt = NULL, client_id = NULL WHERE number = 2",
        "DELETE FROM audit WHERE number = 1",
        "DELETE FROM audit WHERE number = 3",
        "DELETE FROM audit WHERE number = 4",
        "DELETE FROM audit_head",
        "UPDATE audit_head SET number = 3",
        "UPDATE audit SET number = 9 WHERE number = 4",
    ],
)
def test_any_meddling_is_noticed(records: Records, statement: str) -> None:
    entries(records)
    tamper(records, statement)
    with pytest.raises(StoreDamagedError, match="audit trail"):
        records.check_audit()
