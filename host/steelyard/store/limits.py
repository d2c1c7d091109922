"""Limits of motion and rules for stopping, as the clinician entered them."""

from __future__ import annotations

import math
from typing import Any

from steelyard.errors import EntryError
from steelyard.store.database import Database
from steelyard.store.entry_checks import number
from steelyard.store.facts_json import from_plain, to_plain
from steelyard.store.kept import KeptLimits, Limits
from steelyard.store.tables import LimitsRow
from steelyard.store.versions_kept import VersionsKept

_RATIOS = ("rushed_ratio", "short_ratio", "thrown_share", "uneven_dip", "touched_ratio")
_PERCENT = ("speed_loss_percent", "range_loss_percent")


class LimitsKept:
    """Limits for each client and machine, every version of them kept."""

    def __init__(self, database: Database) -> None:
        self._kept = VersionsKept(database, LimitsRow, "limits")

    def save(
        self, code: str, machine: str, limits: Limits, based_on: int | None = None
    ) -> KeptLimits:
        """Save limits.  ``based_on``: number of those that were changed (0: there were none).

        Raises EntryError for what contradicts itself, ChangedMeanwhileError.
        """
        content = to_plain(limits)
        _check(from_plain(Limits, content))
        return _limits(self._kept.save(code, machine, content, based_on))

    def current(self, code: str, machine: str) -> KeptLimits | None:
        """Those in use; None when the clinician entered none."""
        row = self._kept.current(code, machine)
        return None if row is None else _limits(row)

    def history(self, code: str, machine: str | None = None) -> list[KeptLimits]:
        """All, newest first."""
        return [_limits(row) for row in self._kept.history(code, machine)]


def _limits(row: LimitsRow) -> KeptLimits:
    return KeptLimits(row.machine, from_plain(Limits, row.content), row.number, row.at, row.by)


def _check(limits: Limits) -> None:
    if limits.client_range is not None:
        low, high = (number(end, -180.0, 180.0, "end of the range") for end in limits.client_range)
        if low is None or high is None or low >= high:
            raise EntryError(
                f"The range runs from {low} to {high} degrees.",
                "Give the extended end first; forward bend is positive.",
            )
        for at in limits.stations_degrees:
            number(at, low, high, "station in degrees")
    number(limits.torque_limit_nm, 1.0, 2000.0, "limit of torque in N·m")
    asked, stops = limits.prescription, limits.stop_rules
    for seconds in (asked.concentric_seconds, asked.eccentric_seconds):
        number(seconds, 0.2, 60.0, "tempo in s")
    number(asked.range_degrees, 1.0, 360.0, "range asked for in degrees")
    for name in _RATIOS:
        number(getattr(asked, name), 0.0, 1.0, name)
    for name in _PERCENT:
        number(getattr(stops, name), 1.0, 100.0, name)
    for name in ("repetitions", "faulty_in_a_row"):
        number(getattr(stops, name), 1, 1000, name)
    number(stops.seconds_under_load, 1.0, 3600.0, "seconds under load")
    _positive("effort_limits", to_plain(limits.effort_limits))


def _positive(where: str, content: dict[str, Any]) -> None:
    for name, value in content.items():
        for item in value if isinstance(value, list) else [value]:
            number(item, math.ulp(0.0), 1000.0, f"{name} of {where}")
