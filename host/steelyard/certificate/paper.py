"""A certificate as a PDF on A4.

Why fpdf2: it sets text, tables and pictures in pure Python, is typed and well
kept, and asks nothing of the system; a converter from HTML would need
libraries that pip cannot install.  The fonts are those that come with
matplotlib and are embedded, so the paper looks the same everywhere.
"""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path
from typing import Final

import matplotlib as mpl
from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace
from fpdf.util import Padding

from steelyard.calibration.in_service import moment
from steelyard.certificate.document import Certificate, Picture, Section, Table

INK: Final = (29, 39, 51)
SOFT: Final = (91, 103, 115)
BLUE: Final = (47, 102, 144)
RUST: Final = (181, 83, 45)
LINE: Final = (213, 220, 227)
WHITE: Final = (255, 255, 255)
PALE: Final = (251, 243, 239)
MARGIN: Final = 18.0
TOP: Final = 14.0
HEIGHT_SHARE: Final = 2.6 / 7.0
"""Height of a drawing over its width."""
FONT: Final = "DejaVu"
MONO: Final = "DejaVuMono"


class _Paper(FPDF):
    """Pages with the certificate's number and the page number at the foot."""

    def __init__(self, certificate: Certificate) -> None:
        super().__init__(format="A4")
        self._number = certificate.number
        self.set_margins(MARGIN, TOP, MARGIN)
        self.set_auto_page_break(True, margin=16.0)
        folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
        self.add_font(FONT, "", folder / "DejaVuSans.ttf")
        self.add_font(FONT, "B", folder / "DejaVuSans-Bold.ttf")
        self.add_font(MONO, "", folder / "DejaVuSansMono.ttf")
        self.set_title(f"{certificate.title} {certificate.number}")
        self.set_creation_date(_whole_second(certificate.issued_at))

    def footer(self) -> None:
        """Number of the certificate and of the page."""
        self.set_y(-13.0)
        self.set_font(FONT, "", 7.0)
        self.set_text_color(*SOFT)
        self.cell(0, 4, f"in-house calibration {self._number}, not an accredited certificate")
        self.set_x(MARGIN)
        self.cell(0, 4, f"page {self.page_no()} of {{nb}}", align="R")

    def paragraph(
        self, text: str, size: float = 8.5, colour: tuple[int, int, int] = INK, bold: bool = False
    ) -> None:
        """Text over the full width."""
        self.set_font(FONT, "B" if bold else "", size)
        self.set_text_color(*colour)
        self.multi_cell(0, size * 0.5, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def keep_together(self, millimetres: float) -> None:
        """Begin a new page when less than this is left."""
        if self.will_page_break(millimetres):
            self.add_page()


def paper(certificate: Certificate) -> bytes:
    """The whole document as bytes."""
    pdf = _Paper(certificate)
    pdf.add_page()
    _header(pdf, certificate)
    _headline(pdf, certificate)
    for section in certificate.sections:
        _section(pdf, section)
    _foot(pdf, certificate)
    return bytes(pdf.output())


def _whole_second(text: str) -> datetime:
    return moment(text).replace(microsecond=0)


def _header(pdf: _Paper, certificate: Certificate) -> None:
    pdf.paragraph(certificate.title, 16.0, bold=True)
    pdf.ln(1.0)
    top = pdf.get_y()
    pdf.paragraph(certificate.subtitle, 9.0, SOFT)
    pdf.set_xy(MARGIN, top)
    pdf.set_font(MONO, "", 9.0)
    pdf.cell(0, 4.5, f"no. {certificate.number}", align="R", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pdf.set_font(FONT, "", 7.5)
    pdf.set_text_color(*SOFT)
    text = f"issued {certificate.issued_at}"
    pdf.cell(0, 4.0, text, align="R", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pdf.ln(1.0)
    pdf.set_draw_color(*INK)
    pdf.set_line_width(0.5)
    pdf.line(MARGIN, pdf.get_y(), pdf.w - MARGIN, pdf.get_y())
    pdf.ln(3.0)
    _caution(pdf, certificate.caution)


def _caution(pdf: _Paper, text: str) -> None:
    top = pdf.get_y()
    pdf.set_fill_color(*PALE)
    pdf.set_font(FONT, "", 7.8)
    pdf.set_text_color(*INK)
    pdf.set_x(MARGIN + 1.0)
    pdf.multi_cell(0, 4.0, text, fill=True, padding=Padding(1.5, 3.0, 1.5, 3.0), align="L",
                   new_x=XPos.LMARGIN, new_y=YPos.NEXT)  # fmt: skip
    pdf.set_fill_color(*RUST)
    pdf.rect(MARGIN, top, 1.0, pdf.get_y() - top, style="F")
    pdf.ln(3.0)


def _headline(pdf: _Paper, certificate: Certificate) -> None:
    shares = [max(len(name) * 0.75, len(value)) + 4.0 for name, value in certificate.headline]
    top, height = pdf.get_y(), 11.0
    left = MARGIN
    pdf.set_draw_color(*LINE)
    pdf.set_line_width(0.2)
    for (name, value), share in zip(certificate.headline, shares, strict=True):
        width = (pdf.w - 2.0 * MARGIN) * share / sum(shares)
        pdf.rect(left, top, width, height)
        pdf.set_xy(left + 1.0, top + 1.3)
        pdf.set_font(FONT, "", 6.5)
        pdf.set_text_color(*SOFT)
        pdf.cell(width - 2.0, 3.0, name)
        pdf.set_xy(left + 1.0, top + 5.0)
        pdf.set_font(FONT, "B", 7.6)
        pdf.set_text_color(*INK)
        pdf.cell(width - 2.0, 4.0, value)
        left += width
    pdf.set_xy(MARGIN, top + height + 2.0)


def _section(pdf: _Paper, section: Section) -> None:
    pdf.keep_together(28.0)
    pdf.ln(2.0)
    pdf.paragraph(section.title, 10.5, BLUE, bold=True)
    pdf.ln(0.8)
    for name, value in section.facts:
        _fact(pdf, name, value)
    for text in section.paragraphs:
        pdf.paragraph(text)
        pdf.ln(0.8)
    for table in section.tables:
        _table(pdf, table)
    for drawing in section.pictures:
        _picture(pdf, drawing)


def _fact(pdf: _Paper, name: str, value: str) -> None:
    pdf.keep_together(10.0)
    pdf.set_font(FONT, "", 8.2)
    pdf.set_text_color(*SOFT)
    pdf.cell(36.0, 4.0, name)
    pdf.set_text_color(*INK)
    pdf.multi_cell(0, 4.0, value, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _table(pdf: _Paper, table: Table) -> None:
    # a table of half a page stays whole; longer ones repeat their headings
    pdf.keep_together(min(12.0 + 4.9 * len(table.rows), 120.0))
    if table.caption:
        pdf.ln(0.5)
        pdf.paragraph(table.caption, 7.2, SOFT)
        pdf.ln(0.5)
    pdf.set_font(FONT, "", 7.0)
    pdf.set_text_color(*INK)
    pdf.set_draw_color(*LINE)
    pdf.set_line_width(0.2)
    pdf.set_fill_color(*WHITE)  # cells are filled with whatever was used last
    with pdf.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        col_widths=table.widths,
        text_align=tuple(
            "LEFT" if column < table.left else "RIGHT" for column in range(len(table.headings))
        ),
        headings_style=FontFace(emphasis="BOLD", color=INK),
        line_height=3.9,
        padding=(0.4, 0.8),
    ) as made:
        made.row(table.headings)
        for row in table.rows:
            total = table.total and row is table.rows[-1]
            pdf.set_font(FONT, "B" if total else "", 7.0)
            made.row(row)
    pdf.set_font(FONT, "", 7.0)
    pdf.ln(1.5)


def _picture(pdf: _Paper, drawing: Picture) -> None:
    width = pdf.w - 2.0 * MARGIN
    pdf.keep_together(width * HEIGHT_SHARE + 8.0)
    pdf.ln(1.0)
    pdf.image(io.BytesIO(drawing.png), w=width)
    pdf.ln(0.5)
    pdf.paragraph(drawing.caption, 7.2, SOFT)


def _foot(pdf: _Paper, certificate: Certificate) -> None:
    pdf.keep_together(45.0)
    pdf.ln(18.0)
    width = (pdf.w - 2.0 * MARGIN - 14.0) / 2.0
    pdf.set_draw_color(*INK)
    top = pdf.get_y()
    pdf.set_font(FONT, "", 7.2)
    pdf.set_text_color(*SOFT)
    for place, text in enumerate(("calibrated by, date", "read and filed by, date")):
        left = MARGIN + place * (width + 14.0)
        pdf.line(left, top, left + width, top)
        pdf.set_xy(left, top + 0.8)
        pdf.cell(width, 4.0, text)
    pdf.set_xy(MARGIN, top + 10.0)
    for name, value in certificate.seals:
        pdf.paragraph(name, 7.0, SOFT)
        pdf.set_font(MONO, "", 7.0)
        pdf.set_text_color(*INK)
        pdf.cell(0, 3.8, value, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
