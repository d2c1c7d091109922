"""The audit trail: who changed what and when, old and new, in a chain that shows an edit.

Each entry has a digest of its content with a random salt, and a link: SHA-256
over the link before, its number and its digest.  When a client is deleted for
good, content and salt of that client's entries are erased and their digests
stay: the chain can still be checked, and a short code cannot be guessed from a
salted digest whose salt is gone.  The deletion's own entry says how many were
erased, so no more can be emptied unnoticed.

What a chain cannot show: somebody with the database in hand who rewrites it
from an entry on to its end.  Copies kept elsewhere can: see ``AuditCheck.head``.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from steelyard.errors import StoreDamagedError
from steelyard.store.kept import AuditEntry
from steelyard.store.tables import AuditHeadRow, AuditRow

START: Final = "0" * 64
DELETED: Final = "client deleted"


def _hash(*parts: str) -> str:
    return hashlib.sha256("\n".join(parts).encode("utf-8")).hexdigest()


class AuditTrail:
    """Appends entries within one transaction; ``operator`` at ``at``.

    Made first in a transaction: it takes the writers' lock.
    """

    def __init__(self, session: Session, operator: str, at: datetime) -> None:
        self._session = session
        self.operator = operator
        self.at = at
        head = session.scalars(select(AuditHeadRow).with_for_update()).one_or_none()
        if head is None:
            raise StoreDamagedError(
                "The head of the audit trail is missing.",
                "Put back a copy: steelyard records restore.",
            )
        self._head = head

    def note(
        self,
        act: str,
        client: tuple[int, str] | None = None,
        what: str = "",
        old: Any = None,
        new: Any = None,
    ) -> None:
        """One entry; ``client`` as id and code, where the change is of one."""
        entry = json.dumps(
            {
                "at": self.at.isoformat(),
                "who": self.operator,
                "act": act,
                "client_id": client[0] if client else None,
                "client": client[1] if client else None,
                "what": what,
                "old": old,
                "new": new,
            },
            ensure_ascii=False,
            allow_nan=False,
        )
        salt = secrets.token_hex(16)
        digest = _hash(salt, entry)
        head = self._head
        head.number += 1
        head.link = _hash(head.link, str(head.number), digest)
        self._session.add(
            AuditRow(
                number=head.number,
                client_id=client[0] if client else None,
                entry=entry,
                salt=salt,
                digest=digest,
                link=head.link,
            )
        )


def note_changes(
    trail: AuditTrail, act: str, client: tuple[int, str] | None, old: dict[str, Any], new: Any
) -> None:
    """An entry for each field that differs; ``new`` has the same fields."""
    for what, before in old.items():
        if before != new[what]:
            trail.note(act, client, what, before, new[what])


@dataclass(frozen=True)
class AuditCheck:
    """What a check of the whole chain came to.

    ``head`` is the link of the last entry: noted elsewhere, it proves later that nothing
    before it was rewritten.
    """

    entries_total: int
    erased_total: int
    head: str


def check_trail(session: Session) -> AuditCheck:
    """Follow the chain from its start.  Raises StoreDamagedError naming the first bad entry."""
    link, number, erased, announced = START, 0, 0, 0
    for row in session.scalars(select(AuditRow).order_by(AuditRow.number)):
        number += 1
        expected = _hash(link, str(number), row.digest)
        if row.number != number or row.link != expected:
            raise _broken(number, "does not follow the one before it")
        link = row.link
        if row.entry is None or row.salt is None:
            erased += 1
            continue
        if _hash(row.salt, row.entry) != row.digest:
            raise _broken(number, "was edited")
        content = json.loads(row.entry)
        if content["client_id"] != row.client_id:
            raise _broken(number, "was given to another client")
        if content["act"] == DELETED:
            announced += int(content["new"]["audit_entries_erased"])
    head = session.scalars(select(AuditHeadRow)).one_or_none()
    if head is None or (head.number, head.link) != (number, link):
        raise _broken(number + 1, "is missing: the end was cut off")
    if erased != announced:
        raise StoreDamagedError(
            f"{erased} entries of the audit trail are empty; deletions account for {announced}.",
            "Compare with a copy: steelyard records restore.",
        )
    return AuditCheck(number, erased, link)


def _broken(number: int, how: str) -> StoreDamagedError:
    return StoreDamagedError(
        f"Entry {number} of the audit trail {how}.",
        "Find out who had the file in hand; compare with a copy of the records.",
    )


def read_trail(
    session: Session, client_id: int | None = None, limit: int | None = None, before: int = 0
) -> list[AuditEntry]:
    """Entries, newest first; of one client if given; with a number below ``before`` if given."""
    query = select(AuditRow).order_by(AuditRow.number.desc()).limit(limit)
    if client_id is not None:
        query = query.where(AuditRow.client_id == client_id)
    if before:
        query = query.where(AuditRow.number < before)
    return [_entry(row) for row in session.scalars(query)]


def _entry(row: AuditRow) -> AuditEntry:
    if row.entry is None:
        return AuditEntry(row.number, None, None, None, None, None, None, None)
    found = json.loads(row.entry)
    return AuditEntry(
        row.number,
        datetime.fromisoformat(found["at"]),
        found["who"],
        found["act"],
        found["client"],
        found["what"],
        found["old"],
        found["new"],
    )
