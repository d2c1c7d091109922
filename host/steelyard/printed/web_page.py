"""A document as one HTML page that needs nothing from anywhere else."""

from __future__ import annotations

from html import escape
from typing import Final

from steelyard.printed.document import (
    BigFigure,
    Notice,
    Picture,
    PrintedDocument,
    Section,
    Table,
    moment_text,
)

STYLE: Final = """
:root { --ink: #1d2733; --soft: #5b6773; --line: #d5dce3; --blue: #2f6690; --paper: #fff; }
* { box-sizing: border-box; }
body { margin: 0; background: #eef1f4; color: var(--ink);
  font: 14px/1.45 "DejaVu Sans", "Segoe UI", "Helvetica Neue", Arial, sans-serif; }
main { max-width: 210mm; margin: 8mm auto; padding: 16mm 16mm 14mm; background: var(--paper);
  box-shadow: 0 1px 5px rgb(29 39 51 / 20%); }
header { border-bottom: 2px solid var(--ink); padding-bottom: 4mm; display: flex;
  justify-content: space-between; gap: 8mm; align-items: flex-end; }
h1 { font-size: 23px; margin: 0; letter-spacing: -0.2px; }
header p { margin: 1mm 0 0; color: var(--soft); }
.number { text-align: right; white-space: nowrap; color: var(--soft); }
.number b { display: block; color: var(--ink); font-size: 17px;
  font-family: "DejaVu Sans Mono", Consolas, monospace; }
.caution { border-left: 3px solid #b5532d; background: #fbf3ef; margin: 5mm 0; padding: 2.5mm 4mm;
  font-size: 12.5px; }
.headline { display: flex; flex-wrap: wrap; border: 1px solid var(--line); margin: 0 0 4mm; }
.headline div { flex: 1 1 auto; padding: 2.5mm; border-left: 1px solid var(--line); }
.headline div:first-child { border-left: 0; }
.headline dt { color: var(--soft); font-size: 11.5px; }
.headline dd { margin: 0; font-weight: 600; font-size: 12px; }
h2 { font-size: 15px; margin: 7mm 0 2mm; color: var(--blue); break-after: avoid; }
dl.facts { display: grid; grid-template-columns: minmax(36mm, max-content) 1fr; column-gap: 3mm;
  margin: 0; }
dl.facts dt { color: var(--soft); padding: 0.4mm 0; } dl.facts dd { margin: 0; padding: 0.4mm 0; }
p { margin: 0 0 2mm; }
table { width: 100%; border-collapse: collapse; font-size: 11.5px; margin: 1mm 0 3mm;
  font-variant-numeric: tabular-nums; }
.about { color: var(--soft); font-size: 11.5px; padding: 1mm 0; margin: 0; break-after: avoid; }
th { text-align: right; font-weight: 600; border-bottom: 1px solid var(--ink); padding: 1mm 1.5mm;
  vertical-align: bottom; }
td { white-space: nowrap; text-align: right; border-bottom: 1px solid var(--line);
  padding: 0.7mm 1.5mm; }
th.words, td.words { text-align: left; } td.words:not(:first-child) { white-space: normal; }
tr { break-inside: avoid; } thead { display: table-header-group; }
tr.total td { font-weight: 600; border-bottom: 1px solid var(--ink); }
tr.quiet td { color: var(--soft); font-style: italic; }
.notice { border: 1px solid var(--line); border-left: 4px solid var(--soft); margin: 0 0 2mm;
  padding: 1.5mm 3mm; break-inside: avoid; }
.notice.grave { border-color: var(--ink); border-left: 4px double var(--ink); }
.notice b { white-space: nowrap; }
.figures { display: flex; flex-wrap: wrap; gap: 4mm; margin: 0 0 4mm; }
.figures div { flex: 1 1 45mm; border: 1px solid var(--line); border-radius: 2mm; padding: 3mm 4mm;
  break-inside: avoid; }
.figures dt { color: var(--soft); } .figures dd { margin: 0; }
.figures dd.value { font-size: 1.7em; font-weight: 600; }
body.large { font-size: 16.5px; } body.large h2 { font-size: 20px; margin-top: 8mm; }
body.large figcaption { font-size: 14px; } body.large .notice { font-size: 16px; }
body.large table, body.large .about { font-size: 14px; } body.large .caution { font-size: 14px; }
body.large .headline dt { font-size: 13px; } body.large .headline dd { font-size: 15px; }
body.large dl.facts { grid-template-columns: minmax(48mm, max-content) 1fr; }
.scroll { overflow-x: auto; }
figure { margin: 3mm 0; break-inside: avoid; } figure svg { width: 100%; height: auto; }
figcaption { color: var(--soft); font-size: 12px; }
.sign { display: flex; gap: 14mm; margin-top: 18mm; break-inside: avoid; }
.sign div { flex: 1; border-top: 1px solid var(--ink); padding-top: 1mm; color: var(--soft);
  font-size: 12px; }
.seals { margin-top: 8mm; border-top: 1px solid var(--line); padding-top: 2mm; font-size: 11px;
  color: var(--soft); }
.seals code { color: var(--ink); overflow-wrap: anywhere; font-size: 11px; }
@page { margin: 14mm; }
@media screen and (max-width: 640px) {
  main { margin: 0; padding: 6mm 5mm; box-shadow: none; } .number { text-align: left; }
  header { flex-direction: column; align-items: flex-start; gap: 3mm; }
  dl.facts, body.large dl.facts { grid-template-columns: minmax(0, 38%) 1fr; }
  figure { overflow-x: auto; } figure svg { min-width: 560px; }
}
@media print { body { background: none; } main { margin: 0; padding: 0; box-shadow: none; } }
"""


def web_page(document: PrintedDocument) -> str:
    """The whole page as text."""
    body = "\n".join(
        [
            _header(document),
            f'<p class="caution">{escape(document.caution)}</p>',
            *([_headline(document)] if document.headline else []),
            *(_section(section) for section in document.sections),
            _foot(document),
        ]
    )
    opening = '<body class="large">' if document.large else "<body>"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(document.title)} {escape(document.number)}</title>\n"
        f"<style>{STYLE}</style>\n</head>\n{opening}\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def _header(document: PrintedDocument) -> str:
    return (
        f"<header><div><h1>{escape(document.title)}</h1>"
        f"<p>{escape(document.subtitle)}</p></div>"
        f'<div class="number"><b>{escape(document.number)}</b>'
        f"issued {escape(moment_text(document.issued_at))}</div></header>"
    )


def _headline(document: PrintedDocument) -> str:
    cells = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>"
        for name, value in document.headline
    )
    return f'<dl class="headline">{cells}</dl>'


def _section(section: Section) -> str:
    parts = [f"<h2>{escape(section.title)}</h2>"]
    if section.figures:
        parts.append(f'<dl class="figures">{"".join(map(_big_figure, section.figures))}</dl>')
    parts += [_notice(notice) for notice in section.notices]
    if section.facts:
        rows = "".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in section.facts)
        parts.append(f'<dl class="facts">{rows}</dl>')
    parts += [f"<p>{escape(text)}</p>" for text in section.paragraphs]
    tables = [_table(table) for table in section.tables]
    pictures = [_figure(drawing) for drawing in section.pictures]
    parts += [*pictures, *tables] if section.tables_last else [*tables, *pictures]
    return f"<section>{''.join(parts)}</section>"


def _big_figure(figure: BigFigure) -> str:
    remark = f"<dd>{escape(figure.remark)}</dd>" if figure.remark else ""
    return (
        f'<div><dt>{escape(figure.name)}</dt><dd class="value">{escape(figure.value)}</dd>'
        f"{remark}</div>"
    )


def _notice(notice: Notice) -> str:
    grave = " grave" if notice.grave else ""
    return f'<p class="notice{grave}"><b>{notice.sign}</b> {escape(notice.text)}</p>'


def _table(table: Table) -> str:
    def cells(tag: str, row: tuple[str, ...]) -> str:
        made = []
        for column, text in enumerate(row):
            words = ' class="words"' if table.is_words(column) else ""
            made.append(f"<{tag}{words}>{escape(text)}</{tag}>")
        return "".join(made)

    # Above the table, not its <caption>: that would be cut off where the table scrolls sideways.
    about = f'<p class="about">{escape(table.caption)}</p>' if table.caption else ""
    rows = "".join(
        f"<tr{_row_class(table, number)}>{cells('td', row)}</tr>"
        for number, row in enumerate(table.rows)
    )
    head = f"<thead><tr>{cells('th', table.headings)}</tr></thead>"
    label = f' aria-label="{escape(table.caption)}"' if table.caption else ""
    return f'{about}<div class="scroll"><table{label}>{head}<tbody>{rows}</tbody></table></div>'


def _row_class(table: Table, number: int) -> str:
    if table.total and number == len(table.rows) - 1:
        return ' class="total"'
    return ' class="quiet"' if number in table.quiet else ""


def _figure(drawing: Picture) -> str:
    return f"<figure>{drawing.svg}<figcaption>{escape(drawing.caption)}</figcaption></figure>"


def _foot(document: PrintedDocument) -> str:
    seals = "".join(
        f"<div>{escape(name)}: <code>{escape(value)}</code></div>" for name, value in document.seals
    )
    lines = "".join(f"<div>{escape(text)}</div>" for text in document.signatures)
    sign = f'<div class="sign">{lines}</div>' if lines else ""
    foot = f"<div>{escape(document.foot)}</div>" if document.foot else ""
    return f'{sign}<div class="seals">{seals}{foot}</div>'
