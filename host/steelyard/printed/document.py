"""A document as data: sections of facts, paragraphs, tables and pictures.

Both outputs are set from this, so that they cannot say different things.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Table:
    """Headings, rows of text, and how wide the columns are to each other.

    ``left``: how many columns, counted from the left, hold words; the others
    hold numbers and are set to the right, but those in ``words`` too.  ``total``: the last
    row sums up.  ``quiet``: rows that do not count, set back in type; they say so in
    words as well.
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    left: int = 1
    caption: str = ""
    total: bool = False
    quiet: frozenset[int] = frozenset()
    words: frozenset[int] = frozenset()

    def is_words(self, column: int) -> bool:
        """Whether a column is set to the left."""
        return column < self.left or column in self.words


@dataclass(frozen=True)
class Picture:
    """A drawing: scalable for the page, pixels for the document, and what it shows.

    ``aspect`` is its height over its width.
    """

    svg: str
    png: bytes
    caption: str
    aspect: float = 2.6 / 7.0


@dataclass(frozen=True)
class Notice:
    """Something not to be overlooked; ``grave``: because of it a figure is missing or unusable.

    A sign and a word tell the two apart, not colour alone.
    """

    text: str
    grave: bool = False

    @property
    def sign(self) -> str:
        """Stands before the text."""
        return "✖ Important:" if self.grave else "▲ Note:"


@dataclass(frozen=True)
class BigFigure:
    """One figure to be read from a distance: what it is, the figure, what to make of it."""

    name: str
    value: str
    remark: str = ""


@dataclass(frozen=True)
class Section:
    """One part: title, then big figures, notices, facts, paragraphs, pictures and tables.

    ``tables_last`` False sets the tables before the pictures.
    """

    title: str
    facts: tuple[tuple[str, str], ...] = ()
    paragraphs: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    pictures: tuple[Picture, ...] = ()
    notices: tuple[Notice, ...] = ()
    figures: tuple[BigFigure, ...] = ()
    tables_last: bool = False


@dataclass(frozen=True)
class PrintedDocument:
    """Everything that a certificate or a report says.

    ``foot`` stands at the foot of every page, ``signatures`` are lines to sign on,
    ``seals`` the hashes printed at the end.  ``data`` is what goes into the JSON
    file beside it.  ``large``: set in larger type, for the client.
    """

    title: str
    subtitle: str
    number: str
    issued_at: str
    caution: str
    headline: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    seals: tuple[tuple[str, str], ...]
    foot: str
    signatures: tuple[str, ...] = ()
    data: dict[str, Any] = field(default_factory=dict)
    large: bool = False


def moment_text(iso_8601: str) -> str:
    """A moment for people: ``2025-06-15 15:06:40 UTC``; any other text as it is."""
    return re.sub(r"^(\d{4}-\d\d-\d\d)T([\d:]+)(?:\.\d+)?Z$", r"\1 \2 UTC", iso_8601)
