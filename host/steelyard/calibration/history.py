"""What happened to the calibration of one channel, in order, and what may happen next.

Every entry carries the hash of the one before it, so that an entry changed,
left out or put in between is noticed.  Entries cut off at the end are not
noticed by the chain alone: each certificate prints the hash of the last entry
it knew.

The rule that matters: a calibration is not replaced before somebody has
written down what the old one said, as found.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, Final

from steelyard.calibration.in_service import moment
from steelyard.errors import CalibrationError, CalibrationFileError

START: Final = "0" * 64


class Act(Enum):
    """What an entry says was done."""

    IN_FORCE = "put in force"
    AS_FOUND = "as found"
    AS_LEFT = "as left"
    CHECKED = "checked"
    ZEROED = "zeroed"


@dataclass(frozen=True)
class Entry:
    """One thing done: when (ISO 8601), by whom, with which calibration, and what came out."""

    act: Act
    at: str
    by: str
    calibration_id: str
    content: dict[str, Any]
    previous: str

    @property
    def entry_hash(self) -> str:
        """SHA-256 of the entry, the hash of the one before it included."""
        return hashlib.sha256(self.line().encode("ascii")).hexdigest()

    def line(self) -> str:
        """The entry as one line of JSON."""
        return json.dumps(
            {
                "act": self.act.value,
                "at": self.at,
                "by": self.by,
                "calibration_id": self.calibration_id,
                "content": self.content,
                "previous": self.previous,
            },
            sort_keys=True,
            allow_nan=False,
            separators=(",", ":"),
        )


@dataclass(frozen=True)
class History:
    """All entries of one channel of one box, oldest first."""

    entries: tuple[Entry, ...] = field(default=())

    @property
    def head(self) -> str:
        """Hash of the last entry; zeros for an empty history."""
        return self.entries[-1].entry_hash if self.entries else START

    @property
    def in_force(self) -> str | None:
        """Id of the calibration in force, or None."""
        found = self.of(Act.IN_FORCE)
        return found[-1].calibration_id if found else None

    def of(self, act: Act, calibration_id: str | None = None) -> list[Entry]:
        """Entries of one kind, of one calibration if given."""
        return [
            entry
            for entry in self.entries
            if entry.act is act and calibration_id in (None, entry.calibration_id)
        ]

    @property
    def as_found_is_due(self) -> bool:
        """Whether the calibration in force must be read once more before it is replaced."""
        for entry in reversed(self.entries):
            if entry.act is Act.AS_FOUND:
                return False
            if entry.act is Act.IN_FORCE:
                return True
        return False

    def added(
        self, act: Act, at: str, by: str, calibration_id: str, content: dict[str, Any]
    ) -> History:
        """The history with one entry more.

        Raises CalibrationError when the entry breaks a rule: a calibration is
        replaced only after an as-found reading (or with a reason under
        ``no_as_found`` in ``content``); everything else needs the calibration
        that is in force; time does not run backwards.
        """
        moment(at)
        if self.entries and moment(at) < moment(self.entries[-1].at):
            raise CalibrationError(
                f"The history's last entry is of {self.entries[-1].at}, this one of {at}.",
                "Set the clock of this computer.",
            )
        if act is Act.IN_FORCE:
            self._require_as_found(content)
        elif calibration_id != self.in_force:
            raise CalibrationError(
                f"Calibration {calibration_id[:12]} is not in force "
                f"({(self.in_force or 'none')[:12]} is), so “{act.value}” does not apply to it.",
                "Use the calibration in force.",
            )
        entry = Entry(act, at, by, calibration_id, content, self.head)
        try:
            entry.line()
        except (TypeError, ValueError) as error:
            raise CalibrationError(
                f"This cannot be written into a history: {error}.", "Every number must be finite."
            ) from error
        return History((*self.entries, entry))

    def _require_as_found(self, content: dict[str, Any]) -> None:
        if self.as_found_is_due and not content.get("no_as_found"):
            raise CalibrationError(
                f"Calibration {(self.in_force or '')[:12]} is in force and nobody has yet written "
                "down what it says, as found.",
                "Read known weights with it first; if that cannot be done any more, say why.",
            )

    def to_text(self) -> str:
        """One line of JSON for each entry."""
        return "".join(f"{entry.line()}\n" for entry in self.entries)

    @classmethod
    def from_text(cls, text: str) -> History:
        """Read a history back; CalibrationFileError naming the first line that is not whole."""
        entries: list[Entry] = []
        for number, line in enumerate(text.splitlines(keepends=True), start=1):
            entry = _entry(number, line)
            expected = entries[-1].entry_hash if entries else START
            if entry.previous != expected:
                raise CalibrationFileError(
                    f"Line {number} of the history does not follow the one before it: an entry "
                    "was changed, removed or put in between.",
                    "Use an untouched copy of the history.",
                )
            entries.append(entry)
        return cls(tuple(entries))


def _entry(number: int, line: str) -> Entry:
    try:
        content = json.loads(line)
        entry = Entry(
            Act(content["act"]),
            str(content["at"]),
            str(content["by"]),
            str(content["calibration_id"]),
            dict(content["content"]),
            str(content["previous"]),
        )
        if entry.line() + "\n" == line:
            return entry
    except (KeyError, TypeError, ValueError, RecursionError) as error:
        raise CalibrationFileError(
            f"Line {number} of the history is torn or is no entry.",
            "Use an untouched copy of the history.",
        ) from error
    raise CalibrationFileError(
        f"Line {number} of the history was rewritten.", "Use an untouched copy of the history."
    )
