"""How figures and statements are worded on both reports."""

from __future__ import annotations

from typing import Final

from steelyard.calibration import format_measurement
from steelyard.printed.document import Notice
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.strength.measured import COVERAGE_FACTOR, Measured, Statement

CAUTION: Final = (
    "An in-house measurement, not a medical device, and no advice on training or treatment. "
    "Screening clients and deciding on maximal efforts is for licensed professionals; local codes "
    "come first."
)
UNCERTAINTY: Final = "± is the expanded uncertainty, k = 2.0 (95 %)."
DASH: Final = "–"


def stated(value: Measured | None) -> str:
    """A figure as it stands alone: ``212 ± 4 N·m (k = 2.0)``; a dash for none."""
    if value is None:
        return DASH
    return (
        format_measurement(value.value, value.expanded_uncertainty, value.unit, COVERAGE_FACTOR)
        .replace("  ", " ")
        .replace(" °", "°")
    )


def in_cell(value: Measured | None) -> str:
    """A figure in a table whose heading has the unit: ``212 ± 4``."""
    return DASH if value is None else value.text().removesuffix(value.unit).strip()


def change_text(value: Measured) -> str:
    """A difference with its sign and uncertainty: ``+12 ± 5 N·m``."""
    text = value.text()
    return text if text.startswith(("-", "−")) else f"+{text}"


def clock(seconds: float | None) -> str:
    """A moment of the session as minutes and seconds; empty for none."""
    if seconds is None:
        return ""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def notice(one: Statement) -> Notice:
    """A statement with the moment it speaks of."""
    at = clock(one.seconds)
    return Notice(f"{one.text}{f' (at {at})' if at else ''}", one.spoils)


def all_statements(analysis: RecordedAnalysis) -> tuple[Statement, ...]:
    """Of the session, its damage included; the grave ones first, each once."""
    held = analysis.recording
    said = list(analysis.found.statements)
    if held.corrupt or held.torn_tail_bytes:
        text = (
            f"The recording has {len(held.corrupt)} damaged frames and {held.torn_tail_bytes} "
            "bytes of a torn end. They are left out; `steelyard validate` says more."
        )
        said.append(Statement("recording-damaged", text))
    for problem in held.document_problems:
        said.append(Statement("document-damaged", f"A text in the recording is damaged: {problem}"))
    unique = dict.fromkeys(said)
    return tuple(sorted(unique, key=lambda one: not one.spoils))
