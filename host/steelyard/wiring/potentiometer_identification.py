"""Which of three terminals is the wiper, from the three resistances between them.

One set of readings tells the track (the pair that reads most) from the wiper, as long as
the wiper is not at an end.  A second set with the shaft turned tells the rest: what does
not change is the track; what should change and does not is broken or shorted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

from steelyard.errors import WiringError
from steelyard.wiring.ohmmeter import Tolerance, checked_ohms

Ohms3 = tuple[float, float, float]

TERMINAL_PAIRS: Final = ((0, 1), (0, 2), (1, 2))
WIPER_CONTACT_SHARE: Final = 0.02
WIPER_CONTACT_OHMS: Final = 20.0
"""What the wiper's own contact may add, twice: common practice, no source."""
END_SHARE: Final = 0.02
"""Nearer to an end than this, wiper and end terminal cannot be told apart."""


class PotentiometerFault(Enum):
    """What is wrong with a potentiometer, if anything; the words are for people."""

    NONE = "sound"
    WIPER_OPEN = "wiper broken, or its wire cut"
    END_OPEN = "track broken, or the wire of one end cut"
    WIPER_AT_END = "wiper at an end of the track, or something shorted"
    WIPER_STUCK = "wiper did not move although the shaft was turned"
    WIPER_SHORTED = "wiper shorted to one end"
    ENDS_SHORTED = "both ends of the track shorted together"
    DEAD = "no two terminals connected"


@dataclass(frozen=True)
class PotentiometerExplanation:
    """One potentiometer that would give these readings.

    ``wiper`` and ``ends`` by name, None where the readings cannot tell; ``total_ohms`` is the
    track (None: not measurable); ``positions`` the wiper's place from the first end (0) to
    the second (1), one for each set of readings, empty where unknown.  ``at`` names the
    terminals of the fault.
    """

    fault: PotentiometerFault
    wiper: str | None
    ends: tuple[str, str] | None
    total_ohms: float | None
    positions: tuple[float, ...] = ()
    at: tuple[str, ...] = ()


@dataclass(frozen=True)
class PotentiometerIdentification:
    """All explanations; none: not a potentiometer with at most one fault."""

    terminals: tuple[str, str, str]
    sets: tuple[Ohms3, ...]
    explanations: tuple[PotentiometerExplanation, ...]

    @property
    def is_sound(self) -> bool:
        """Whether it is a good potentiometer and can be nothing else."""
        return [item.fault for item in self.explanations] == [PotentiometerFault.NONE]


def identify_potentiometer(
    ohms: Sequence[float],
    turned_ohms: Sequence[float] | None = None,
    terminals: Sequence[str] = ("1", "2", "3"),
    tolerance: Tolerance | None = None,
) -> PotentiometerIdentification:
    """Say what the readings can come from.

    ``ohms``: between terminals 1-2, 1-3 and 2-3, `OPEN` where there is no connection.
    ``turned_ohms``: the same after the shaft was turned by a good part of its travel.

    Raises:
        WiringError: not three readings a set, not three different names.
    """
    sets = tuple(_checked_set(readings) for readings in (ohms, turned_ohms) if readings is not None)
    if len(set(terminals)) != 3:
        raise WiringError(
            f"{len(set(terminals))} names do not tell three terminals apart.",
            "Give three different names.",
        )
    first, second, third = terminals
    names = (first, second, third)
    judge = _Judge(sets, names, tolerance or Tolerance())
    return PotentiometerIdentification(names, sets, judge.explanations())


def _checked_set(readings: Sequence[float]) -> Ohms3:
    if len(readings) != 3:
        raise WiringError(
            f"{len(readings)} readings do not describe a potentiometer.",
            "Give three for each position of the shaft: 1-2, 1-3, 2-3.",
        )
    one, two, three = (checked_ohms(value) for value in readings)
    return one, two, three


@dataclass(frozen=True)
class _Judge:
    """Tries each fault with each terminal as the wiper."""

    sets: tuple[Ohms3, ...]
    names: tuple[str, str, str]
    tolerance: Tolerance

    def explanations(self) -> tuple[PotentiometerExplanation, ...]:
        if all(math.isinf(value) for readings in self.sets for value in readings):
            return (PotentiometerExplanation(PotentiometerFault.DEAD, None, None, None),)
        placed = [found for wiper in range(3) if (found := self._placed(wiper)) is not None]
        if len(self.sets) == 1:
            return tuple(self._at_rest(placed) or self._open())
        turned = [found for found in placed if found.fault is PotentiometerFault.NONE]
        return tuple(turned or self._shorted() or self._open() or placed)

    # --- readings by role -----------------------------------------------------------------

    def _ends(self, wiper: int) -> tuple[int, int]:
        first, second = (terminal for terminal in range(3) if terminal != wiper)
        return first, second

    def _between(self, a: int, b: int) -> list[float]:
        index = TERMINAL_PAIRS.index((min(a, b), max(a, b)))
        return [readings[index] for readings in self.sets]

    def _steady(self, values: list[float]) -> bool:
        return all(abs(value - values[0]) <= 2.0 * self.tolerance.of(values[0]) for value in values)

    def _is_short(self, ohms: float) -> bool:
        return ohms <= 2.0 * self.tolerance.ohms + 0.5

    # --- the hypotheses -----------------------------------------------------------------------

    def _placed(self, wiper: int) -> PotentiometerExplanation | None:
        """Track steady, and both parts of it add up to it."""
        first, second = self._ends(wiper)
        track, left, right = (
            self._between(first, second),
            self._between(first, wiper),
            self._between(wiper, second),
        )
        if any(math.isinf(value) for value in (*track, *left, *right)) or not self._steady(track):
            return None
        total = sum(track) / len(track)
        pairs = list(zip(left, right, strict=True))
        if total <= 0.0 or not all(self._add_up(part, rest, total) for part, rest in pairs):
            return None
        positions = tuple(
            min(1.0, max(0.0, 0.5 + (part - rest) / (2.0 * total))) for part, rest in pairs
        )
        stuck = len(positions) == 2 and abs(positions[1] - positions[0]) < END_SHARE
        return PotentiometerExplanation(
            PotentiometerFault.WIPER_STUCK if stuck else PotentiometerFault.NONE,
            self.names[wiper],
            (self.names[first], self.names[second]),
            total,
            positions,
        )

    def _add_up(self, part: float, rest: float, total: float) -> bool:
        slack = sum(self.tolerance.of(value) for value in (part, rest, total))
        contact = 2.0 * (WIPER_CONTACT_SHARE * total + WIPER_CONTACT_OHMS)
        return -slack <= part + rest - total <= slack + contact

    def _at_rest(self, placed: list[PotentiometerExplanation]) -> list[PotentiometerExplanation]:
        """One set of readings: with the wiper near an end, two terminals could be the wiper."""
        if len(placed) < 2:
            return placed
        at = tuple(item.wiper for item in placed if item.wiper is not None)
        return [
            PotentiometerExplanation(
                PotentiometerFault.WIPER_AT_END, None, None, placed[0].total_ohms, at=at
            )
        ]

    def _shorted(self) -> list[PotentiometerExplanation]:
        """One pair without resistance in both positions of the shaft."""
        for a, b in TERMINAL_PAIRS:
            other = 3 - a - b
            pair, rest = self._between(a, b), self._between(a, other)
            if not all(self._is_short(ohms) for ohms in pair) or any(map(math.isinf, rest)):
                continue
            at = (self.names[a], self.names[b])
            if self._steady(rest):
                return [
                    PotentiometerExplanation(
                        PotentiometerFault.WIPER_SHORTED, None, None, sum(rest) / len(rest), at=at
                    )
                ]
            return [
                PotentiometerExplanation(
                    PotentiometerFault.ENDS_SHORTED, self.names[other], at, None, at=at
                )
            ]
        return []

    def _open(self) -> list[PotentiometerExplanation]:
        """One terminal connected to nothing: the wiper, or an end."""
        for lost in range(3):
            a, b = self._ends(lost)
            left = self._between(a, b)
            gone = [*self._between(a, lost), *self._between(b, lost)]
            if not all(math.isinf(value) for value in gone) or any(map(math.isinf, left)):
                continue
            return self._open_at(lost, (a, b), left)
        return []

    def _open_at(
        self, lost: int, pair: tuple[int, int], left: list[float]
    ) -> list[PotentiometerExplanation]:
        name, at = self.names[lost], (self.names[lost],)
        ends = (self.names[pair[0]], self.names[pair[1]])
        wiper = PotentiometerExplanation(
            PotentiometerFault.WIPER_OPEN, name, ends, sum(left) / len(left), at=at
        )
        end = PotentiometerExplanation(PotentiometerFault.END_OPEN, None, None, None, at=at)
        if len(self.sets) == 1:
            return [wiper, end]
        return [wiper] if self._steady(left) else [end]
