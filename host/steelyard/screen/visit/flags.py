"""Everything of a recorded session that is worth a look, with its place on the trace."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from steelyard.strength.measured import Statement
from steelyard.strength.session_analysis import SessionAnalysis

MARGIN_SECONDS = 3.0


@dataclass(frozen=True)
class Flag:
    """From when to when (s since the first sample), what it is, whether it spoils a figure."""

    start_seconds: float
    end_seconds: float
    text: str
    spoils: bool


def flags_of(found: SessionAnalysis) -> list[Flag]:
    """All flags in the order of time; statements without a moment are not among them."""
    flags = [*_said(found.statements), *_of_restraint(found), *_of_tests(found), *_of_sets(found)]
    return sorted(flags, key=lambda flag: flag.start_seconds)


def remarks_of(found: SessionAnalysis) -> list[Statement]:
    """Statements that concern the session as a whole."""
    return [one for one in found.statements if one.seconds is None]


def _said(statements: tuple[Statement, ...]) -> Iterator[Flag]:
    for one in statements:
        if one.seconds is not None:
            yield Flag(one.seconds, one.seconds, one.text, one.spoils)


def _of_restraint(found: SessionAnalysis) -> Iterator[Flag]:
    for slip in found.restraint.slips if found.restraint else ():
        text = f"The restraint slipped by {slip.degrees:+.1f}°."
        yield Flag(slip.seconds, slip.seconds, text, True)


def _of_tests(found: SessionAnalysis) -> Iterator[Flag]:
    for test in found.tests:
        for effort in test.efforts:
            span = effort.span
            for one in effort.statements:
                text = f"Effort at {effort.degrees.value:z.0f}°: {one.text}"
                yield Flag(span.onset_seconds, span.end_seconds, text, one.spoils)


def _of_sets(found: SessionAnalysis) -> Iterator[Flag]:
    for number, one_set in enumerate(found.sets, 1):
        for repetition in one_set.repetitions:
            measures = repetition.measures
            for finding in repetition.findings:
                text = (
                    f"Set {number}, repetition {repetition.number}: {finding.fault.value},"
                    f" {finding.text}"
                )
                yield Flag(measures.start_seconds, measures.end_seconds, text, False)
