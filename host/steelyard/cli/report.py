"""``steelyard report``."""

from __future__ import annotations

from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from steelyard.cli.bench_run import now_text
from steelyard.cli.options import calibrations_option, machine_option, sheet_option
from steelyard.errors import ReportError
from steelyard.report.issue import PaperSize, Reader, issue_report
from steelyard.report.recorded_analysis import examine_recording
from steelyard.report.result_file import load_result
from steelyard.report.sources import chosen_profile
from steelyard.report.tested_visit import TestedVisit, visit_of_analysis, visit_of_result
from steelyard.strength.session_sheet import load_sheet

NOT_MEASURED: int = 3


@click.command()
@click.argument(
    "recordings", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="RECORDING..."
)
@click.option(
    "--for",
    "reader",
    type=click.Choice(["client", "clinician"]),
    default="clinician",
    show_default=True,
    help="Who reads it.",
)
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    metavar="FOLDER",
    help="Where to write; without it, here.",
)
@click.option(
    "--earlier",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="RESULT",
    help="Result of an earlier visit (.result.json), once for each.",
)
@click.option(
    "--repeats",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="CSV",
    help="Repeat tests of the practice: a row for each client, a column for each test, N·m.",
)
@calibrations_option
@machine_option
@sheet_option
@click.option("--practice", default="", help="Name on the report.")
@click.option(
    "--paper",
    type=click.Choice(["A4", "Letter"]),
    default="A4",
    show_default=True,
    help="Size of the PDF.",
)
def report(
    recordings: tuple[Path, ...],
    reader: Reader,
    output: Path,
    earlier: tuple[Path, ...],
    repeats: Path | None,
    calibration_paths: tuple[Path, ...],
    machine: str | None,
    sheet_path: Path | None,
    practice: str,
    paper: PaperSize,
) -> None:
    """Write the report of a session as a web page and a PDF, with its figures beside them.

    Several recordings of one client, oldest first, are compared with each other. Exit
    3: in one of them nothing could be measured; its report says why.
    """
    visits = [visit_of_result(load_result(path)) for path in earlier]
    table = None if repeats is None else _repeats(repeats)
    profile = chosen_profile(machine) if machine else None
    sheet = load_sheet(sheet_path) if sheet_path else None
    measured = True
    for path in recordings:
        found = examine_recording(path, calibration_paths, profile=profile, sheet=sheet)
        files = issue_report(
            found,
            reader,
            output,
            issued_at=now_text(),
            practice=practice,
            earlier=visits,
            repeats=table,
            paper_size=paper,
        )
        for written in files.paths:
            click.echo(f"written: {written}")
        measured &= found.measured
        if not found.measured:
            click.echo(f"{path}: no figure is given. {found.found.statements[0].text}", err=True)
        _add(visits, visit_of_analysis(found))
    if not measured:
        raise SystemExit(NOT_MEASURED)


def _add(visits: list[TestedVisit], visit: TestedVisit | None) -> None:
    if visit is not None and visit.points:
        visits.append(visit)


def _repeats(path: Path) -> NDArray[np.float64]:
    try:
        return np.loadtxt(path, np.float64, delimiter=",", ndmin=2)
    except (OSError, ValueError) as error:
        raise ReportError(
            f"The repeat tests {path} could not be read: {error}.",
            "Write numbers in N·m with commas between: a row for each client, no headings.",
        ) from error
