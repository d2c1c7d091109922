"""The practice's records: one object, plain records in and out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from types import TracebackType

from steelyard.errors import StoreDiskError
from steelyard.store import entry_checks as check
from steelyard.store.audit_trail import AuditCheck, check_trail, read_trail
from steelyard.store.billing import Billing
from steelyard.store.client_export import export_client
from steelyard.store.clients import Clients, client_row
from steelyard.store.consents import Consents
from steelyard.store.copies import Copies, disk_errors, require_sound, restore_copy
from steelyard.store.database import Database, utc_now
from steelyard.store.deletion import Deletion, delete_client
from steelyard.store.kept import AuditEntry
from steelyard.store.limits import LimitsKept
from steelyard.store.place import find_place
from steelyard.store.practice import Practice
from steelyard.store.results import Results
from steelyard.store.schema import prepare_schema
from steelyard.store.services import Services
from steelyard.store.set_ups import SetUps
from steelyard.store.trends import Trends
from steelyard.store.visits import Visits


class Records:
    """All records of a practice, open.  Close it, or use it in a ``with`` block.

    Every call is a transaction of its own, and safe from any thread.  Library errors never get
    out: see ``store_errors``.
    """

    def __init__(self, place: str | Path | None, operator: str, now: Callable[[], datetime]):
        by = check.initials(operator) if operator else ""
        self._database = Database(find_place(place), by, now)
        self.warnings: tuple[str, ...] = ()
        """What could not be done on opening and did not keep it from opening."""
        self.clients = Clients(self._database)
        self.set_ups = SetUps(self._database)
        self.limits = LimitsKept(self._database)
        self.consents = Consents(self._database)
        self.practice = Practice(self._database)
        self.services = Services(self._database)
        self.visits = Visits(self._database)
        self.results = Results(self._database)
        self.trends = Trends(self._database)
        self.billing = Billing(self._database)
        self.copies = Copies(self._database)
        try:
            if not prepare_schema(self._database, self.copies.make):
                self._copy_daily()
        except BaseException:
            self.close()
            raise

    @property
    def place(self) -> str:
        """Where they are kept, without a password."""
        return self._database.place.text

    def _copy_daily(self) -> None:
        """Today's copy; a full disk is said and keeps nobody from working."""
        try:
            self.copies.make_daily(self.practice.rules().backup_days)
        except StoreDiskError as error:
            self.warnings = (f"There is no copy of the records of today. {error}",)

    def export_client(self, code: str, target: Path, *, recordings_too: bool = False) -> Path:
        """One client's whole record into a new folder, or a new zip if ``target`` ends so.

        With ``recordings_too`` the recordings themselves as well.  Raises NotKeptError,
        AlreadyKeptError when ``target`` exists, StoreDiskError.
        """
        return export_client(self._database, code, target, recordings_too=recordings_too)

    def delete_client(self, code: str, *, recordings_too: bool = False) -> Deletion:
        """Delete one client for good, see ``deletion``.  Raises NotKeptError."""
        return delete_client(self._database, code, recordings_too=recordings_too)

    def audit(
        self, client: str | None = None, limit: int | None = 100, before: int = 0
    ) -> list[AuditEntry]:
        """The audit trail, newest first; of one client if given."""
        with self._database.reading() as session:
            number = None if client is None else client_row(session, client).id
            return read_trail(session, number, limit, before)

    def check_audit(self) -> AuditCheck:
        """Follow the whole audit trail.  Raises StoreDamagedError where it was edited."""
        with self._database.reading() as session:
            return check_trail(session)

    def check(self) -> AuditCheck:
        """The whole database: SQLite's own check of the file, then the audit trail.

        Raises StoreDamagedError.
        """
        place = self._database.place
        if place.file is not None:
            with disk_errors(place, place.file):
                require_sound(place.file)
        return self.check_audit()

    def note_restored(self, name: str) -> None:
        """Write into the audit trail that a copy was put back."""
        with self._database.writing() as (_, trail):
            trail.note("copy put back", None, name)

    def close(self) -> None:
        """Let go of the database."""
        self._database.close()

    def __enter__(self) -> Records:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_records(
    place: str | Path | None = None,
    *,
    operator: str = "",
    now: Callable[[], datetime] = utc_now,
) -> Records:
    """Open a practice's records, which are made when there are none yet.

    ``place``: a folder (SQLite) or ``postgresql://user@host/database``; without it,
    STEELYARD_RECORDS or the user's data folder.  ``operator``: initials, for the audit trail;
    without them records can be read, not written.
    Brings an older schema to this version, after a copy.  Raises PlaceError, StoreVersionError,
    StoreDiskError, StoreDamagedError, EntryError.
    """
    return Records(place, operator, now)


def restore_records(
    copy: Path,
    place: str | Path | None = None,
    *,
    operator: str,
    now: Callable[[], datetime] = utc_now,
) -> Path | None:
    """Put a copy in place of the records; gives where those that it replaced were put aside.

    A damaged database can be replaced too.  Raises NotKeptError, StoreDamagedError when the
    copy itself is damaged, StoreDiskError; nothing is changed then.
    """
    by = check.initials(operator)
    aside = restore_copy(find_place(place), copy, now())
    with Records(place, by, now) as records:
        records.note_restored(copy.name)
    return aside
