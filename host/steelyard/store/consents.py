"""The consent tick before a maximal test.

The tick says that the client was told and agreed.  It does not say that the
client is fit for it: screening is the business of the practice and of a
professional licensed for it, and no program can do it.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from steelyard.errors import ConsentError, NotKeptError
from steelyard.store.clients import client_row
from steelyard.store.database import Database
from steelyard.store.kept import Consent, ConsentState, PracticeRules
from steelyard.store.practice import practice_rules
from steelyard.store.tables import ConsentRow

SCREENING: Final = (
    "Whether this client may make a maximal effort is decided by a professional licensed for it, "
    "after screening; local codes come first. This program does not screen and is not a medical "
    "device."
)


class Consents:
    """Consents of clients to maximal tests."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def give(self, code: str) -> Consent:
        """The client agreed now, having been told the practice's text of the version in use."""
        with self._database.writing() as (session, trail):
            client = client_row(session, code)
            rules = practice_rules(session)
            row = ConsentRow(
                client_id=client.id,
                text_version=rules.consent_text_version,
                given_at=trail.at,
                given_to=trail.operator,
                withdrawn_to="",
            )
            session.add(row)
            new = {"text_version": rules.consent_text_version}
            trail.note("consent given", (client.id, client.code), new=new)
            return _consent(row)

    def withdraw(self, code: str) -> Consent:
        """The client takes the consent back.  Raises NotKeptError when there is none."""
        with self._database.writing() as (session, trail):
            client = client_row(session, code)
            row = _last(session, client.id)
            if row is None or row.withdrawn_at is not None:
                raise NotKeptError(
                    f"{client.code} has no consent that could be withdrawn.", "Nothing to do."
                )
            row.withdrawn_at, row.withdrawn_to = trail.at, trail.operator
            trail.note("consent withdrawn", (client.id, client.code))
            return _consent(row)

    def state(self, code: str) -> ConsentState:
        """Whether a consent is in force at this moment, and if not, why not."""
        with self._database.reading() as session:
            row = _last(session, client_row(session, code).id)
            consent = None if row is None else _consent(row)
            reason = _problem(consent, practice_rules(session), self._database.now())
            return ConsentState(not reason, reason, consent)

    def history(self, code: str) -> list[Consent]:
        """All, newest first."""
        with self._database.reading() as session:
            client = client_row(session, code)
            query = select(ConsentRow).where(ConsentRow.client_id == client.id)
            return [_consent(row) for row in session.scalars(query.order_by(ConsentRow.id.desc()))]

    def require(self, code: str) -> Consent:
        """The consent in force.

        Raises ConsentError when there is none, it was withdrawn, it is older than the
        practice's rule allows, or the text has changed since.
        """
        state = self.state(code)
        if state.consent is None or not state.in_force:
            raise ConsentError(
                f"No maximal test with {code.strip().upper()}: {state.reason}.",
                f"Tell the client what it means and ask again. {SCREENING}",
            )
        return state.consent


def _last(session: Session, client_id: int) -> ConsentRow | None:
    query = select(ConsentRow).where(ConsentRow.client_id == client_id)
    return session.scalars(query.order_by(ConsentRow.id.desc()).limit(1)).one_or_none()


def _consent(row: ConsentRow) -> Consent:
    return Consent(row.text_version, row.given_at, row.given_to, row.withdrawn_at, row.withdrawn_to)


def _problem(consent: Consent | None, rules: PracticeRules, now: datetime) -> str:
    if consent is None:
        return "no consent was given"
    if consent.withdrawn_at is not None:
        return f"the consent was withdrawn on {consent.withdrawn_at:%Y-%m-%d}"
    if consent.text_version != rules.consent_text_version:
        return (
            f"the consent is to text {consent.text_version}, the practice now uses "
            f"{rules.consent_text_version}"
        )
    age = now - consent.given_at
    if age > timedelta(days=rules.consent_days):
        return f"the consent is {age.days} days old; the practice's rule is {rules.consent_days}"
    return ""
