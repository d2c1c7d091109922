"""The load for the next visit, by the practice's own rule and with its reason, or why none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.strength.load_rule import next_load

LEAST_AFTER_SECONDS: Final = 4.0
"""A set is over when no repetition follows for so long (common practice, no source)."""


@dataclass(frozen=True)
class LoadAdvice:
    """``mass_kg`` None where nothing is suggested; ``reason`` says why in both cases."""

    mass_kg: float | None
    reason: str


def load_advice(analysis: RecordedAnalysis) -> LoadAdvice:
    """Apply the rule on the session sheet to the last set."""
    sheet, sets, profile = analysis.sheet, analysis.found.sets, analysis.profile
    hindrance = _hindrance(analysis)
    if hindrance or sheet.stack_kg is None or profile is None:
        return LoadAdvice(None, hindrance)
    last = sets[-1]
    found = next_load(sheet.load_rule, last, sheet.stack_kg, profile.stack.plates_kg)
    if found is None:
        return LoadAdvice(None, "The practice's rule gives no load.")
    if last.stop is not None and found.mass_kg > sheet.stack_kg:
        return LoadAdvice(
            None,
            f"Two rules of the practice disagree: the one for the next load gives "
            f"{found.mass_kg:g} kg ({found.reason.rstrip('.')}), but a stop rule was met "
            f"({last.stop.reason}). The clinician decides.",
        )
    return LoadAdvice(found.mass_kg, found.reason)


def _cut_off(analysis: RecordedAnalysis) -> bool:
    signals, sets = analysis.signals, analysis.found.sets
    if signals is None or not sets:
        return False
    end = sets[-1].repetitions[-1].measures.end_seconds
    return float(signals.seconds[-1]) - end < LEAST_AFTER_SECONDS


def _hindrance(analysis: RecordedAnalysis) -> str:
    """Why the rule cannot be applied; empty where it can."""
    sheet, sets = analysis.sheet, analysis.found.sets
    if sheet.load_rule is None:
        return "The practice has set no rule for the next load, so none is given."
    if not sets or analysis.profile is None:
        return "No set was measured, so the practice's rule cannot be applied."
    if sheet.stack_kg is None:
        return "The session sheet does not state the plates, so the rule cannot be applied."
    return _doubt(analysis)


def _doubt(analysis: RecordedAnalysis) -> str:
    """What speaks against the last set as a measure of the next load; empty where nothing does."""
    if any(one.code == "plates-doubtful" for one in analysis.found.statements):
        return (
            "The stack did not pull as the plates on the session sheet would, so the rule is not "
            "applied."
        )
    if _cut_off(analysis):
        return (
            "The recording ends in the middle of the last set, or right after it: how many "
            "repetitions were still to come is not known, so the rule is not applied."
        )
    if not all(one.measures.whole for one in analysis.found.sets[-1].repetitions):
        return (
            "Samples are missing in the last set: how its repetitions were done is not known for "
            "all, so the rule is not applied."
        )
    return ""
