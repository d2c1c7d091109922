"""How each machine was set for each client, so that the next visit is quick."""

from __future__ import annotations

from collections.abc import Mapping

from steelyard.store.database import Database
from steelyard.store.kept import SetUp
from steelyard.store.settings import checked_values
from steelyard.store.tables import SetUpRow
from steelyard.store.versions_kept import VersionsKept


class SetUps:
    """Machine set-ups, every one of them kept."""

    def __init__(self, database: Database) -> None:
        self._kept = VersionsKept(database, SetUpRow, "set-up")

    def save(
        self,
        code: str,
        machine: str,
        values: Mapping[str, str | float],
        based_on: int | None = None,
    ) -> SetUp:
        """Save a whole set-up: keys of ``settings.SETTINGS``; an empty text leaves a key out.

        ``based_on``: the number of the set-up that was changed (0: there was none).  Raises
        ChangedMeanwhileError when another one was saved since; None does not ask.
        """
        return _set_up(self._kept.save(code, machine, checked_values(values), based_on))

    def current(self, code: str, machine: str) -> SetUp | None:
        """The one of the last visit, or None."""
        row = self._kept.current(code, machine)
        return None if row is None else _set_up(row)

    def history(self, code: str, machine: str | None = None) -> list[SetUp]:
        """All, newest first."""
        return [_set_up(row) for row in self._kept.history(code, machine)]


def _set_up(row: SetUpRow) -> SetUp:
    return SetUp(row.machine, row.content, row.number, row.at, row.by)
