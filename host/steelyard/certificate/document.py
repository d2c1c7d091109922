"""A document as data: sections of facts, paragraphs, tables and pictures.

Both outputs are set from this, so that they cannot say different things.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Table:
    """Headings, rows of text, and how wide the columns are to each other.

    ``left``: how many columns, counted from the left, hold words; the others
    hold numbers and are set to the right.  ``total``: the last row sums up.
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    left: int = 1
    caption: str = ""
    total: bool = False


@dataclass(frozen=True)
class Picture:
    """A drawing: scalable for the page, pixels for the document, and what it shows."""

    svg: str
    png: bytes
    caption: str


@dataclass(frozen=True)
class Section:
    """One part: title, then facts, paragraphs, tables and pictures in this order."""

    title: str
    facts: tuple[tuple[str, str], ...] = ()
    paragraphs: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True)
class Certificate:
    """Everything that a certificate says.

    ``seals`` are the hashes printed at the end; ``data`` is what goes into the
    JSON file beside it.
    """

    title: str
    subtitle: str
    number: str
    issued_at: str
    caution: str
    headline: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    seals: tuple[tuple[str, str], ...]
    data: dict[str, Any] = field(default_factory=dict)
