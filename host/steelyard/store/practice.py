"""What the practice itself has laid down."""

from __future__ import annotations

from datetime import tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import select
from sqlalchemy.orm import Session

from steelyard.errors import EntryError
from steelyard.store import entry_checks as check
from steelyard.store.audit_trail import note_changes
from steelyard.store.clients import require_version
from steelyard.store.database import Database
from steelyard.store.facts_json import from_plain, to_plain
from steelyard.store.kept import PracticeRules
from steelyard.store.tables import PracticeRow


class Practice:
    """The practice's rules: one record."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def rules(self) -> PracticeRules:
        """The rules in use."""
        with self._database.reading() as session:
            return practice_rules(session)

    def change(self, rules: PracticeRules) -> PracticeRules:
        """Keep other rules.  Raises EntryError, ChangedMeanwhileError.

        A new consent text needs a new version of it: consents given to the old one end.
        """
        _check(rules)
        with self._database.writing() as (session, trail):
            row = session.scalars(select(PracticeRow)).one()
            require_version("The practice's rules", row.version, rules.version)
            before = practice_rules(session)
            if (
                before.consent_text != rules.consent_text
                and before.consent_text_version == rules.consent_text_version
            ):
                raise EntryError(
                    "The text of the consent is another one, its version is still "
                    f"{rules.consent_text_version}.",
                    "Give it a new version: consents to the old text end with it.",
                )
            old, new = to_plain(before), to_plain(rules)
            for content in (old, new):
                content.pop("version")
            note_changes(trail, "practice rule changed", None, old, new)
            row.content, row.version = new, row.version + 1
            return from_plain(PracticeRules, {**new, "version": row.version})


def practice_rules(session: Session) -> PracticeRules:
    """The rules, within a transaction."""
    row = session.scalars(select(PracticeRow)).one()
    return from_plain(PracticeRules, {**row.content, "version": row.version})


def zone_of(rules: PracticeRules) -> tzinfo | None:
    """The practice's time zone; None: this computer's."""
    return ZoneInfo(rules.time_zone) if rules.time_zone else None


def _check(rules: PracticeRules) -> None:
    check.note(rules.consent_text_version, "version of the text", 40)
    if not rules.consent_text_version.strip() or not rules.consent_text.strip():
        raise EntryError("The consent has no text or no version.", "Enter both.")
    check.note(rules.consent_text, "text of the consent")
    check.number(rules.consent_days, 1, 3650, "days a consent holds")
    check.number(rules.backup_days, 1, 3650, "days a copy is kept")
    if rules.currency and not (len(rules.currency) <= 8 and rules.currency.isalpha()):
        raise EntryError(f"“{rules.currency[:20]}” is no currency.", "Such as EUR.")
    try:
        zone_of(rules)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise EntryError(
            f"The time zone “{rules.time_zone[:40]}” is not known here.", "Such as Europe/Berlin."
        ) from error
