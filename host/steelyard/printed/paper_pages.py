"""The pages of a PDF: size, margins, fonts, foot line."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Final, Literal

import matplotlib as mpl
from fpdf import FPDF
from fpdf.enums import XPos, YPos

from steelyard.printed.document import PrintedDocument

INK: Final = (29, 39, 51)
SOFT: Final = (91, 103, 115)
BLUE: Final = (47, 102, 144)
RUST: Final = (181, 83, 45)
LINE: Final = (213, 220, 227)
WHITE: Final = (255, 255, 255)
PALE: Final = (251, 243, 239)
MARGIN: Final = 18.0
TOP: Final = 14.0
LARGE: Final = 1.25
"""How much larger type is set for a client."""
FONT: Final = "DejaVu"
MONO: Final = "DejaVuMono"
PageFormat = Literal["A4", "Letter"]


class PaperPages(FPDF):
    """Pages with the document's foot line and the page number at the foot."""

    def __init__(self, document: PrintedDocument, page_format: PageFormat) -> None:
        super().__init__(format=page_format)
        self._foot = document.foot
        self.scale = LARGE if document.large else 1.0
        self.set_margins(MARGIN, TOP, MARGIN)
        self.set_auto_page_break(True, margin=16.0)
        folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
        self.add_font(FONT, "", folder / "DejaVuSans.ttf")
        self.add_font(FONT, "B", folder / "DejaVuSans-Bold.ttf")
        self.add_font(FONT, "I", folder / "DejaVuSans-Oblique.ttf")
        self.add_font(MONO, "", folder / "DejaVuSansMono.ttf")
        self.set_title(f"{document.title} {document.number}")
        self.set_creation_date(_whole_second(document.issued_at))

    def footer(self) -> None:
        """The document's foot line and the number of the page."""
        self.set_y(-13.0)
        self.set_font(FONT, "", 7.0)
        self.set_text_color(*SOFT)
        self.cell(0, 4, self._foot)
        self.set_x(MARGIN)
        self.cell(0, 4, f"page {self.page_no()} of {{nb}}", align="R")

    def paragraph(
        self, text: str, size: float = 8.5, colour: tuple[int, int, int] = INK, bold: bool = False
    ) -> None:
        """Text over the full width."""
        size *= self.scale
        self.set_font(FONT, "B" if bold else "", size)
        self.set_text_color(*colour)
        self.multi_cell(0, size * 0.5, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def keep_together(self, millimetres: float) -> None:
        """Begin a new page when less than this is left."""
        if self.will_page_break(millimetres):
            self.add_page()

    def height_of(self, width: float, line_height: float, text: str) -> float:
        """How high a text of this width becomes in the font that is set."""
        height = self.multi_cell(width, line_height, text, dry_run=True, output="HEIGHT")
        return float(height)  # type: ignore[arg-type]


def _whole_second(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(microsecond=0)
