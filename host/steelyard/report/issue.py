"""Writing a report: a page, a document, and the result beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from numpy.typing import ArrayLike

from steelyard.calibration.canonical_json import canonical_text
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import ReportError
from steelyard.report.embedded_result import with_result
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.report.result_file import SUFFIX, result_content
from steelyard.report.tested_visit import TestedVisit, visit_of_analysis
from steelyard.report.visit_comparison import VisitComparison, compare_visits

Reader = Literal["client", "clinician"]
PaperSize = Literal["A4", "Letter"]


@dataclass(frozen=True)
class IssuedReport:
    """The files of a report."""

    web_page: Path
    paper: Path
    result: Path

    @property
    def paths(self) -> tuple[Path, ...]:
        """All of them."""
        return self.web_page, self.paper, self.result


def issue_report(
    analysis: RecordedAnalysis,
    reader: Reader,
    folder: Path,
    *,
    issued_at: str,
    practice: str = "",
    earlier: Sequence[TestedVisit] = (),
    repeats: ArrayLike | None = None,
    paper_size: PaperSize = "A4",
) -> IssuedReport:
    """Write the report for one reader as HTML and PDF, and the result as JSON.

    Made again it is written over: the recording is the record, this is its picture.
    Raises ReportError when the packages for drawing are missing, the earlier visits
    are of somebody else, or the disk refuses.
    """
    content = result_content(analysis)
    comparison = comparison_of(analysis, earlier, repeats)
    try:
        from steelyard.printed.paper import paper
        from steelyard.printed.web_page import web_page
        from steelyard.report.client_report import client_report
        from steelyard.report.clinician_report import clinician_report

        make = client_report if reader == "client" else clinician_report
        made = make(analysis, content, comparison, issued_at=issued_at, practice=practice)
        page, sheet = web_page(made), paper(made, paper_size)
    except ImportError as error:
        raise ReportError(
            f"A report cannot be drawn: {error.name} is not installed.",
            "Install the extra packages: pip install 'steelyard[report]'.",
        ) from error
    stem = analysis.recording.path.stem
    files = IssuedReport(
        folder / f"{stem}-{reader}.html",
        folder / f"{stem}-{reader}.pdf",
        folder / f"{stem}{SUFFIX}",
    )
    _write(
        {
            files.web_page: with_result(page, content).encode("utf-8"),
            files.paper: sheet,
            files.result: canonical_text(content).encode("ascii"),
        },
        folder,
    )
    return files


def comparison_of(
    analysis: RecordedAnalysis, earlier: Sequence[TestedVisit], repeats: ArrayLike | None = None
) -> VisitComparison | None:
    """The present visit against earlier ones; None where there is nothing to compare."""
    now = visit_of_analysis(analysis)
    if now is None or not analysis.measured:
        return None
    return compare_visits(earlier, now, repeats)


def _write(contents: dict[Path, bytes], folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, content in contents.items():
            write_whole(path, content)
    except OSError as error:
        raise ReportError(
            f"The report could not be written to {folder}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error
