"""Boxes on paper: big figures side by side, notices."""

from __future__ import annotations

from steelyard.printed.document import BigFigure, Notice
from steelyard.printed.paper_pages import FONT, INK, LINE, MARGIN, SOFT, PaperPages


def set_big_figures(pdf: PaperPages, figures: tuple[BigFigure, ...]) -> None:
    """Side by side, at most three in a row."""
    for first in range(0, len(figures), 3):
        row = figures[first : first + 3]
        gap = 4.0
        width = (pdf.w - 2.0 * MARGIN - gap * (len(row) - 1)) / len(row)
        heights = [_big_figure_height(pdf, figure, width) for figure in row]
        pdf.keep_together(max(heights) + 4.0)
        top = pdf.get_y()
        for place, figure in enumerate(row):
            _big_figure(pdf, figure, MARGIN + place * (width + gap), top, width, max(heights))
        pdf.set_xy(MARGIN, top + max(heights) + 3.0)


def _big_figure_height(pdf: PaperPages, figure: BigFigure, width: float) -> float:
    pdf.set_font(FONT, "", 7.5 * pdf.scale)
    return 17.0 + (pdf.height_of(width - 6.0, 4.4, figure.remark) if figure.remark else 0.0)


def _big_figure(
    pdf: PaperPages, figure: BigFigure, left: float, top: float, width: float, height: float
) -> None:
    pdf.set_draw_color(*LINE)
    pdf.set_line_width(0.3)
    pdf.rect(left, top, width, height)
    pdf.set_xy(left + 2.0, top + 1.8)
    pdf.set_font(FONT, "", 7.5 * pdf.scale)
    pdf.set_text_color(*SOFT)
    pdf.cell(width - 4.0, 4.0, figure.name)
    pdf.set_xy(left + 2.0, top + 7.0)
    size = 15.0
    pdf.set_font(FONT, "B", size)
    while pdf.get_string_width(figure.value) > width - 6.0 and size > 8.0:
        size -= 0.5
        pdf.set_font(FONT, "B", size)
    pdf.set_text_color(*INK)
    pdf.cell(width - 4.0, 7.0, figure.value)
    pdf.set_font(FONT, "", 7.5 * pdf.scale)
    pdf.set_xy(left + 2.0, top + 15.0)
    if figure.remark:
        pdf.multi_cell(width - 6.0, 4.4, figure.remark, align="L")


def set_notice(pdf: PaperPages, notice: Notice) -> None:
    """A notice with a line at its side; a grave one with two."""
    size = 8.2 * pdf.scale
    pdf.set_font(FONT, "", size)
    text = f"{notice.sign} {notice.text}"
    width = pdf.w - 2.0 * MARGIN - 3.0
    height = pdf.height_of(width - 4.0, size * 0.5, text) + 2.4
    pdf.keep_together(height + 2.0)
    top = pdf.get_y()
    pdf.set_text_color(*INK)
    pdf.set_xy(MARGIN + 3.0, top + 1.2)
    pdf.multi_cell(width - 4.0, size * 0.5, text, align="L")
    pdf.set_draw_color(*(INK if notice.grave else SOFT))
    pdf.set_line_width(0.6 if notice.grave else 0.3)
    pdf.line(MARGIN, top, MARGIN, top + height)
    if notice.grave:
        pdf.line(MARGIN + 1.2, top, MARGIN + 1.2, top + height)
    pdf.set_xy(MARGIN, top + height + 1.4)
