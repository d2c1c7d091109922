"""Readings of an ohmmeter: what a person types, what is open, how far a reading may be off."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from steelyard.errors import WiringError

OPEN: Final = math.inf
"""A reading beyond the meter's range: no connection."""

OPEN_FROM_OHMS: Final = 200_000.0
"""Readings above this count as open.  Common practice, no source: bridges stay below 5 kΩ and
potentiometers for position below 100 kΩ, while damp insulation reads megohms."""

_OPEN_WORDS: Final = {"open", "inf", "o.l", "ol", "o.l.", "-"}
_SCALES: Final = {"": 1.0, "r": 1.0, "ohm": 1.0, "ω": 1.0, "k": 1e3, "m": 1e6}


def parse_ohms(text: str) -> float:
    """Ohms from what a meter shows: ``352``, ``1.05k``, ``open``, ``OL``.

    Raises:
        WiringError: it is none of these, or may be read in two ways (``1,050``).
    """
    if re.fullmatch(r"\s*[0-9]{1,3}(,[0-9]{3})+\s*", text):
        raise WiringError(
            f"{text!r} may be thousands or a decimal comma.",
            f"Write {text.strip().replace(',', '')} for the one, {text.strip().replace(',', '.')}"
            " for the other.",
        )
    plain = text.strip().lower().replace(",", ".")
    if plain in _OPEN_WORDS:
        return OPEN
    match = re.fullmatch(r"([0-9.]+)\s*([a-zω]*)", plain)
    try:
        ohms = float(match[1]) * _SCALES[match[2].removesuffix("ω") or match[2]] if match else -1.0
    except (ValueError, KeyError):
        ohms = -1.0
    return checked_ohms(ohms, text)


def checked_ohms(ohms: float, text: str | None = None) -> float:
    """The reading itself; beyond `OPEN_FROM_OHMS` it is `OPEN`.

    Raises:
        WiringError: negative or not a number.
    """
    if math.isnan(ohms) or ohms < 0.0:
        raise WiringError(
            f"{format(ohms, 'g') if text is None else text!r} is no resistance.",
            "Write ohms (352), kilohms (1.05k), or open where the meter shows overrange.",
        )
    return OPEN if ohms >= OPEN_FROM_OHMS else ohms


@dataclass(frozen=True)
class Tolerance:
    """How far a reading may lie from the truth: a share of it plus so many ohms.

    The defaults are for an ordinary hand-held meter and short test leads (common practice,
    no source), and cover the trimming of a real bridge.
    """

    share: float = 0.01
    ohms: float = 1.0

    def __post_init__(self) -> None:
        if not (0.0 < self.share <= 0.1 and 0.0 <= self.ohms <= 20.0):
            raise WiringError(
                f"A tolerance of {self.share:.3%} plus {self.ohms:g} ohms tells nothing.",
                "Give 0.1 to 10 % and at most 20 ohms; a better meter costs little.",
            )

    def of(self, ohms: float) -> float:
        """Half-width in ohms for a reading of so many ohms."""
        return self.share * ohms + self.ohms


def ohms_words(ohms: float) -> str:
    """A resistance as people write it."""
    if math.isinf(ohms):
        return "open"
    return f"{ohms / 1000:.4g} kΩ" if ohms >= 10_000 else f"{ohms:.4g} Ω"
