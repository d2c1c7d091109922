"""What may be entered: codes, texts, names, moments and numbers."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta
from typing import Final

from steelyard.errors import ClientCodeError, EntryError

CODE_RULE: Final = "one or two letters, a hyphen, one to five digits, such as C-001"
_CODE: Final = re.compile(r"[A-Z]{1,2}-[0-9]{1,5}")
_INITIALS: Final = re.compile(r"[A-Za-z0-9]{1,8}")
_SERVICE: Final = re.compile(r"[a-z][a-z0-9-]{0,23}")
_FORBIDDEN: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")

LONGEST_NOTE: Final = 20_000
AHEAD: Final = timedelta(minutes=10)
"""So far may another computer's clock be ahead of this one."""
LONGEST_VISIT: Final = timedelta(hours=24)

NOTE_WARNING: Final = (
    "Notes are no place for names, addresses, birthdays or diagnoses: a client is known here by "
    "code only."
)
_GIVEAWAYS: Final = (
    (re.compile(r"[^\s@]+@[^\s@]+\.[^\s@]+"), "an e-mail address"),
    (re.compile(r"\+?\d[\d ()/-]{7,}\d"), "a telephone number or a date of birth"),
    (re.compile(r"\b\d{1,2}[./]\d{1,2}[./](19|20)?\d\d\b"), "a date"),
    (re.compile(r"\b(Mr|Mrs|Ms|Herr|Frau|Mme)\b\.?"), "a name"),
)


def client_code(text: str) -> str:
    """A code in capital letters.

    Raises ClientCodeError for anything else.  A name, a name with a year and a
    date of birth do not fit the rule, on purpose.
    """
    code = text.strip().upper()
    if text.isascii() and _CODE.fullmatch(code):
        return code
    raise ClientCodeError(
        f"{_shown(text)} is no client code: {CODE_RULE}.",
        "Keep the list of names and codes elsewhere, under lock; never enter a name here.",
    )


def initials(text: str) -> str:
    """An operator's initials, in capitals."""
    if _INITIALS.fullmatch(text.strip()):
        return text.strip().upper()
    raise EntryError(
        f"{_shown(text)} are no operator's initials: one to eight letters and digits.",
        "Say who is entering this, such as AB.",
    )


def machine_name(text: str) -> str:
    """A machine's name in lower case, so that Heron and heron are one."""
    name = text.strip()
    if 1 <= len(name) <= 16 and name.isascii() and name.isprintable():
        return name.lower()
    raise EntryError(
        f"{_shown(text)} is no machine's name: 1 to 16 plain ASCII characters.",
        "Use the name that the machine's profile has, such as Heron.",
    )


def service_code(text: str) -> str:
    """A short key of a service in the practice's table."""
    if _SERVICE.fullmatch(text.strip()):
        return text.strip()
    raise EntryError(
        f"{_shown(text)} is no key of a service: small letters, digits and hyphens, at most 24.",
        "Such as spine-only.",
    )


def service_name(text: str) -> str:
    """What the service is called on a bill."""
    name = note(text.strip(), "name of the service", 80)
    # A spreadsheet takes a cell that begins with = + - or @ for a formula.
    if name and name[0].isalnum() and "\n" not in name:
        return name
    raise EntryError(
        f"{_shown(text)} does not serve as a name: it begins with a letter or a digit.",
        "Such as Spine visit.",
    )


def note(text: str, what: str = "note", longest: int = LONGEST_NOTE) -> str:
    """Free text: any language, several lines, no control characters."""
    if len(text) > longest:
        raise EntryError(
            f"The {what} has {len(text)} characters; {longest} are possible.", "Shorten it."
        )
    found = _FORBIDDEN.search(text)
    if found:
        raise EntryError(
            f"The {what} holds a control character (U+{ord(found[0]):04X}) at place "
            f"{found.start() + 1}.",
            "Type it anew instead of pasting it.",
        )
    return text


def note_warnings(text: str) -> list[str]:
    """What in a note looks as if it told who the client is; not complete, and no refusal."""
    return [
        f"The note seems to hold {what}. {NOTE_WARNING}"
        for pattern, what in _GIVEAWAYS
        if pattern.search(text)
    ]


def moment(at: datetime, now: datetime, what: str) -> datetime:
    """A time in UTC that is not in the future; refuses one without a zone."""
    if at.tzinfo is None:
        raise EntryError(f"The {what} {at.isoformat()} has no time zone.", "Give one.")
    at = at.astimezone(UTC)
    if at > now + AHEAD:
        raise EntryError(
            f"The {what} {at:%Y-%m-%d %H:%M} UTC lies in the future; it is {now:%Y-%m-%d %H:%M}.",
            "Check the date, and this computer's clock.",
        )
    return at


def span(started_at: datetime, ended_at: datetime) -> None:
    """A visit ends after it began, and on the same day."""
    if not timedelta(0) <= ended_at - started_at <= LONGEST_VISIT:
        hours = (ended_at - started_at).total_seconds() / 3600.0
        raise EntryError(
            f"The visit would last {hours:.1f} hours: it ends at {ended_at:%Y-%m-%d %H:%M} and "
            f"starts at {started_at:%Y-%m-%d %H:%M} UTC.",
            "Check both times.",
        )


def number(value: float | None, least: float, most: float, what: str) -> float | None:
    """A finite number in a range, or None."""
    if value is None:
        return None
    if math.isfinite(value) and least <= value <= most:
        return float(value)
    raise EntryError(f"The {what} {value:g} is not between {least:g} and {most:g}.", "Check it.")


def _shown(text: str) -> str:
    short = text if len(text) <= 40 else text[:37] + "..."
    return f"“{''.join(sign if sign.isprintable() else '?' for sign in short)}”"
