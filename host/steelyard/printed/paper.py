"""A document as a PDF, on A4 or Letter.

Why fpdf2: it sets text, tables and pictures in pure Python, is typed and well
kept, and asks nothing of the system; a converter from HTML would need
libraries that pip cannot install.  The fonts are those that come with
matplotlib and are embedded, so the paper looks the same everywhere.
"""

from __future__ import annotations

import io
from typing import Final

from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace
from fpdf.util import Padding

from steelyard.printed.document import Picture, PrintedDocument, Section, Table, moment_text
from steelyard.printed.paper_boxes import set_big_figures, set_notice
from steelyard.printed.paper_pages import (
    BLUE,
    FONT,
    INK,
    LINE,
    MARGIN,
    MONO,
    PALE,
    RUST,
    SOFT,
    WHITE,
    PageFormat,
    PaperPages,
)

MOST_KEPT: Final = 0.55
"""How much of a page is left empty at most so that a section stays together."""


def paper(document: PrintedDocument, page_format: PageFormat = "A4") -> bytes:
    """The whole document as bytes."""
    pdf = PaperPages(document, page_format)
    pdf.add_page()
    _header(pdf, document)
    if document.headline:
        _headline(pdf, document)
    for section in document.sections:
        _section(pdf, section)
    _foot(pdf, document)
    return bytes(pdf.output())


def _header(pdf: PaperPages, document: PrintedDocument) -> None:
    pdf.paragraph(document.title, 16.0, bold=True)
    pdf.ln(1.0)
    top = pdf.get_y()
    pdf.paragraph(document.subtitle, 9.0, SOFT)
    pdf.set_xy(MARGIN, top)
    pdf.set_font(MONO, "", 9.0)
    pdf.cell(0, 4.5, f"no. {document.number}", align="R", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pdf.set_font(FONT, "", 7.5)
    pdf.set_text_color(*SOFT)
    text = f"issued {moment_text(document.issued_at)}"
    pdf.cell(0, 4.0, text, align="R", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pdf.ln(1.0)
    pdf.set_draw_color(*INK)
    pdf.set_line_width(0.5)
    pdf.line(MARGIN, pdf.get_y(), pdf.w - MARGIN, pdf.get_y())
    pdf.ln(3.0)
    _caution(pdf, document.caution)


def _caution(pdf: PaperPages, text: str) -> None:
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


def _headline(pdf: PaperPages, document: PrintedDocument) -> None:
    shares = [max(len(name) * 0.75, len(value)) + 4.0 for name, value in document.headline]
    top, height = pdf.get_y(), 11.0
    left = MARGIN
    pdf.set_draw_color(*LINE)
    pdf.set_line_width(0.2)
    for (name, value), share in zip(document.headline, shares, strict=True):
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


def _section(pdf: PaperPages, section: Section) -> None:
    pdf.keep_together(_opening_height(pdf, section))
    pdf.ln(2.0)
    pdf.paragraph(section.title, 10.5, BLUE, bold=True)
    pdf.ln(0.8)
    if section.figures:
        set_big_figures(pdf, section.figures)
    for notice in section.notices:
        set_notice(pdf, notice)
    for name, value in section.facts:
        _fact(pdf, name, value)
    for text in section.paragraphs:
        pdf.paragraph(text)
        pdf.ln(0.8)
    if section.tables_last:
        _pictures(pdf, section)
    for table in section.tables:
        _table(pdf, table)
    if not section.tables_last:
        _pictures(pdf, section)


def _opening_height(pdf: PaperPages, section: Section) -> float:
    """What a title must not be parted from: what comes first, up to a picture."""
    height = 16.0 + (30.0 if section.figures else 0.0) + 9.0 * len(section.notices)
    height += (4.2 * len(section.facts) + 7.0 * len(section.paragraphs)) * pdf.scale
    if section.pictures and (section.tables_last or not section.tables):
        height += (pdf.w - 2.0 * MARGIN) * section.pictures[0].aspect + 8.0
    else:
        height += 14.0 if section.tables else 0.0
    return max(28.0, min(height, MOST_KEPT * pdf.h))


def _pictures(pdf: PaperPages, section: Section) -> None:
    for drawing in section.pictures:
        _picture(pdf, drawing)


def _fact(pdf: PaperPages, name: str, value: str) -> None:
    pdf.keep_together(10.0)
    pdf.set_font(FONT, "", 8.2 * pdf.scale)
    pdf.set_text_color(*SOFT)
    pdf.cell(36.0 * pdf.scale, 4.0 * pdf.scale, name)
    pdf.set_text_color(*INK)
    pdf.multi_cell(0, 4.0 * pdf.scale, value, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _table(pdf: PaperPages, table: Table) -> None:
    # a table of half a page stays whole; longer ones repeat their headings
    pdf.keep_together(min(12.0 + 4.9 * len(table.rows), 120.0))
    if table.caption:
        pdf.ln(0.5)
        pdf.paragraph(table.caption, 7.2, SOFT)
        pdf.ln(0.5)
    size = 7.0 * pdf.scale
    pdf.set_font(FONT, "", size)
    pdf.set_text_color(*INK)
    pdf.set_draw_color(*LINE)
    pdf.set_line_width(0.2)
    pdf.set_fill_color(*WHITE)  # cells are filled with whatever was used last
    with pdf.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        col_widths=table.widths,
        text_align=tuple(
            "LEFT" if table.is_words(column) else "RIGHT" for column in range(len(table.headings))
        ),
        headings_style=FontFace(emphasis="BOLD", color=INK),
        line_height=3.9 * pdf.scale,
        padding=(0.4, 0.8),
    ) as made:
        made.row(table.headings)
        for number, row in enumerate(table.rows):
            total = table.total and number == len(table.rows) - 1
            quiet = number in table.quiet
            pdf.set_font(FONT, "B" if total else "I" if quiet else "", size)
            pdf.set_text_color(*(SOFT if quiet else INK))
            made.row(row)
    pdf.set_font(FONT, "", size)
    pdf.ln(1.5)


def _picture(pdf: PaperPages, drawing: Picture) -> None:
    width = pdf.w - 2.0 * MARGIN
    pdf.keep_together(width * drawing.aspect + 8.0)
    pdf.ln(1.0)
    pdf.image(io.BytesIO(drawing.png), w=width)
    pdf.ln(0.5)
    pdf.paragraph(drawing.caption, 7.2, SOFT)


def _foot(pdf: PaperPages, document: PrintedDocument) -> None:
    pdf.keep_together((33.0 if document.signatures else 4.0) + 7.6 * len(document.seals))
    if document.signatures:
        _signatures(pdf, document.signatures)
    pdf.ln(3.0)
    for name, value in document.seals:
        pdf.keep_together(9.0)
        pdf.set_font(FONT, "", 7.0)
        pdf.set_text_color(*SOFT)
        pdf.cell(0, 3.6, name, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pdf.set_font(MONO, "", 7.0)
        pdf.set_text_color(*INK)
        pdf.cell(0, 3.8, value, new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _signatures(pdf: PaperPages, texts: tuple[str, ...]) -> None:
    pdf.ln(18.0)
    gap = 14.0
    width = (pdf.w - 2.0 * MARGIN - gap * (len(texts) - 1)) / len(texts)
    pdf.set_draw_color(*INK)
    pdf.set_line_width(0.2)
    top = pdf.get_y()
    pdf.set_font(FONT, "", 7.2)
    pdf.set_text_color(*SOFT)
    for place, text in enumerate(texts):
        left = MARGIN + place * (width + gap)
        pdf.line(left, top, left + width, top)
        pdf.set_xy(left, top + 0.8)
        pdf.cell(width, 4.0, text)
    pdf.set_xy(MARGIN, top + 7.0)
