"""A table written as CSV, cut into cells: comments skipped, every line as long as the header."""

from __future__ import annotations

import csv

from steelyard.errors import ReadingsFileError


def table_rows(text: str) -> list[tuple[int, list[str]]]:
    """Number and cells of each line, the header's first; lines that start with # are skipped.

    Raises ReadingsFileError, naming the line, when there is none, when one is no
    CSV, or when its number of cells is not that of the header.
    """
    rows: list[tuple[int, list[str]]] = []
    for at, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        try:
            cells = [cell.strip() for cell in next(csv.reader([line], strict=True))]
        except csv.Error as error:
            raise ReadingsFileError(
                f"Line {at} is no CSV: {error}.", "Look for a quotation mark left open."
            ) from error
        if rows and len(cells) != len(rows[0][1]):
            raise ReadingsFileError(
                f"Line {at} has {len(cells)} cells, the header {len(rows[0][1])}.",
                "Use a point as decimal sign and a comma between cells.",
            )
        if not rows:
            _require_commas(at, cells)
        rows.append((at, cells))
    if not rows:
        raise ReadingsFileError("The table is empty.", "Write a header, and a line for each point.")
    return rows


def _require_commas(at: int, header: list[str]) -> None:
    for separator, name in ((";", "semicolons"), ("\t", "tabs")):
        if len(header) == 1 and separator in header[0]:
            raise ReadingsFileError(
                f"Line {at}: the cells are separated by {name}.",
                "Save the table with commas between cells, and a point as decimal sign.",
            )
