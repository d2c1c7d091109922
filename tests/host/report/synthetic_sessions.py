"""A recorded session with other columns in it: quick, where the box itself is not the matter."""

from __future__ import annotations

import dataclasses
from dataclasses import replace

from host.report.sessions import sheet_of
from host.strength.visit import Visit, facts_of_visit, take_visit
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.strength.crank_course import CrankSetting
from steelyard.strength.recorded_signals import profile_angle, signals_of
from steelyard.strength.session_analysis import analyse_session
from steelyard.strength.session_sheet import SessionSheet

CACHE: dict[tuple[object, ...], Visit] = {}


def visit(*words: object, **named: object) -> Visit:
    key = (*words, *sorted(named.items()))
    if key not in CACHE:
        CACHE[key] = take_visit(*words, **named)  # type: ignore[arg-type]
    return CACHE[key]


def sheet_for(taken: Visit, **changes: object) -> SessionSheet:
    facts = facts_of_visit(taken)
    assert facts.crank_turns is not None
    base = sheet_of(taken.profile.name.casefold())
    known = {"crank": (CrankSetting(facts.crank_turns),), "stack_kg": facts.stack_kg}
    return replace(base, **{**known, **changes})  # type: ignore[arg-type]


def with_visit(
    base: RecordedAnalysis, taken: Visit, day: str = "2025-06-15", **sheet: object
) -> RecordedAnalysis:
    """``base`` as if ``taken`` had been recorded."""
    signals = signals_of(
        taken.load, taken.scale, profile_angle(taken.profile), taken.roller, taken.profile.roller
    )
    written = sheet_for(taken, **sheet)
    assert base.chosen_profile is not None
    return dataclasses.replace(
        base,
        chosen_profile=replace(base.chosen_profile, profile=taken.profile),
        chosen_sheet=replace(base.chosen_sheet, sheet=written),
        signals=signals,
        found=analyse_session(signals, taken.profile, written.facts),
        provenance=replace(
            base.provenance, recorded_at=f"{day}T10:00:00Z", recording_id=f"recording of {day}"
        ),
    )
