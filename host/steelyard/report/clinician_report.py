"""The clinician's report: everything that was measured, how, and what speaks against it."""

from __future__ import annotations

from typing import Any, Final

from steelyard_protocol.codec import plain_text

from steelyard.printed.document import (
    Notice,
    Picture,
    PrintedDocument,
    Section,
    Table,
    moment_text,
)
from steelyard.report import clinician_strength
from steelyard.report.balance_picture import balance_picture
from steelyard.report.clinician_progress import progress_section
from steelyard.report.next_steps import load_advice
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.report.session_picture import session_picture
from steelyard.report.visit_comparison import VisitComparison
from steelyard.report.wording import (
    CAUTION,
    UNCERTAINTY,
    all_statements,
    notice,
    stated,
)
from steelyard.strength.crank_course import CrankSetting
from steelyard.strength.measured import Measured

SAID_ELSEWHERE: Final = ("rise-not-resolved",)
"""True of every session: it stands under how it was measured."""


def clinician_report(
    analysis: RecordedAnalysis,
    content: dict[str, Any],
    comparison: VisitComparison | None,
    *,
    issued_at: str,
    practice: str = "",
) -> PrintedDocument:
    """Put it together; ``content`` is the result that goes with it.  Needs matplotlib."""
    kept = analysis.provenance
    machine = analysis.profile.name if analysis.profile else kept.machine
    number = str(content["result_id"])[:12]
    sections = [_statements(analysis), _session(analysis)]
    if analysis.measured:
        sections += [
            *_balance(analysis),
            *clinician_strength.sections(analysis),
            _next_load(analysis),
        ]
        if comparison is not None:
            sections.append(progress_section(comparison))
    sections.append(_method(analysis))
    return PrintedDocument(
        title="Session report for the clinician",
        subtitle=" · ".join(
            part for part in (practice, machine, f"client {kept.client_code or '?'}") if part
        ),
        number=number,
        issued_at=issued_at,
        caution=CAUTION,
        headline=_headline(analysis),
        sections=tuple(sections),
        seals=_seals(analysis, str(content["result_id"])),
        foot=f"session report {number}, in-house measurement, not a medical device",
        signatures=("read by, date",),
        data=content,
    )


def _headline(analysis: RecordedAnalysis) -> tuple[tuple[str, str], ...]:
    found = analysis.found
    efforts = [one for test in found.tests for one in test.efforts]
    repetitions = [one for each in found.sets for one in each.repetitions]
    best = max((one.peak for one in efforts if one.valid and one.peak), key=_value, default=None)
    return (
        ("Session", analysis.provenance.recorded_at[:10]),
        ("Highest valid peak", stated(best)),
        ("Valid efforts", f"{sum(one.valid for one in efforts)} of {len(efforts)}"),
        (
            "Repetitions without a fault",
            f"{sum(not one.findings for one in repetitions)} of {len(repetitions)}",
        ),
    )


def _value(one: Measured) -> float:
    return one.value


def _statements(analysis: RecordedAnalysis) -> Section:
    said = [one for one in all_statements(analysis) if one.code not in SAID_ELSEWHERE]
    pictures: tuple[Picture, ...] = ()
    if analysis.signals is not None and len(analysis.signals):
        pictures = (session_picture(analysis.signals, said),)
    if not said:
        return Section("To be said first", paragraphs=("Nothing was flagged.",), pictures=pictures)
    title = "To be said first" if analysis.measured else "No figure is given for this session"
    return Section(title, notices=tuple(notice(one) for one in said), pictures=pictures)


def _session(analysis: RecordedAnalysis) -> Section:
    sheet, kept = analysis.sheet, analysis.provenance
    held = analysis.recording
    facts = [
        ("Recorded", moment_text(kept.recorded_at)),
        ("Machine", kept.machine or "not named"),
        ("Client", kept.client_code or "no code"),
        ("Service", sheet.service),
        ("Set-up", ", ".join(f"{name} {value}" for name, value in sheet.set_up.items())),
        ("Counterweight", _crank(analysis)),
        ("Plates", f"{sheet.stack_kg:g} kg" if sheet.stack_kg else "not stated"),
        ("Client's size", _size(analysis)),
        ("Client's range", _range(analysis)),
        ("Asked for", _asked(analysis)),
        ("Cautions", " ".join(sheet.cautions)),
        (
            "Before maximal efforts",
            "cautions shown and acknowledged"
            if sheet.cautions_acknowledged
            else "no acknowledgement of the cautions is on the session sheet",
        ),
        ("Note", sheet.note),
        ("Remarks at the time", "; ".join(_remarks(analysis))),
        ("Session sheet", _sheet_source(analysis)),
    ]
    notices = tuple(
        Notice(f"The session sheet was corrected: {text}") for text in kept.sheet_corrections
    )
    duration = f"{analysis.signals.seconds[-1]:.0f} s" if analysis.signals is not None else ""
    facts.insert(1, ("Length", duration))
    facts.append(("Box", f"{held.origin.box_id or '?'}, firmware {kept.firmware_version or '?'}"))
    return Section("Session", notices=notices, facts=tuple(item for item in facts if item[1]))


def _remarks(analysis: RecordedAnalysis) -> list[str]:
    return [text for one in analysis.recording.annotations if (text := plain_text(one.text))]


def _sheet_source(analysis: RecordedAnalysis) -> str:
    sheet, kept = analysis.sheet, analysis.provenance
    written = f", written {moment_text(sheet.written_at)}" if sheet.written_at else ""
    by = f" by {sheet.written_by}" if sheet.written_by else ""
    return f"{kept.sheet_source}{written}{by}"


def _crank(analysis: RecordedAnalysis) -> str:
    course = analysis.sheet.crank
    if not course:
        return "not stated: the client's weight is not given"
    if len(course) == 1:
        return _setting(course[0])
    return ", ".join(f"{_setting(one)} from {one.from_seconds:.0f} s" for one in course)


def _setting(crank: CrankSetting) -> str:
    return "setting not read" if crank.turns is None else f"{crank.turns:g} turns"


def _size(analysis: RecordedAnalysis) -> str:
    sheet = analysis.sheet
    mass = f"{sheet.body_mass_kg:g} kg" if sheet.body_mass_kg else ""
    height = f"{sheet.stature_metres:g} m" if sheet.stature_metres else ""
    return ", ".join(part for part in (mass, height) if part)


def _range(analysis: RecordedAnalysis) -> str:
    found = analysis.found.client_range
    if found is None:
        return ""
    whence = "stated" if analysis.sheet.client_range_degrees else "from the passive sweep"
    return f"{found[0]:z.0f}° to {found[1]:z.0f}°, {whence} (forward bend positive)"


def _asked(analysis: RecordedAnalysis) -> str:
    asked = analysis.sheet.prescription
    tension = ", stack not set down" if asked.keeps_tension else ""
    return f"{asked.concentric_seconds:g} s up, {asked.eccentric_seconds:g} s down{tension}"


def _balance(analysis: RecordedAnalysis) -> list[Section]:
    found, profile, signals = analysis.found, analysis.profile, analysis.signals
    sections = []
    if found.restraint is not None:
        check = found.restraint
        verdict = {True: "holds", False: "SLIPS", None: "not judged"}[check.holds]
        roller = check.roller_range_degrees
        facts = (
            ("Restraint", verdict),
            ("Arm moved", f"{check.arm_range_degrees:z.0f}°"),
            ("Roller within", "no signal" if roller is None else f"{roller:z.1f}°"),
        )
        notices = tuple(map(notice, check.statements))
        sections.append(Section("Restraint check", facts=facts, notices=notices))
    if found.balance is None or found.advice is None or profile is None or signals is None:
        text = "Not measured: torques hold whatever the counterweight leaves of the body's weight."
        sections.append(Section("Balance", notices=(Notice(text),)))
        return sections
    balance, weight = found.balance, found.weight
    at, worst = balance.worst()
    rows = [
        ("Left over at most", f"{stated(worst)} at {at:z.0f}°"),
        ("Seen from – to", f"{balance.low_degrees:z.0f}° to {balance.high_degrees:z.0f}°"),
        ("As one weight", stated(balance.amplitude)),
        (
            "Top dead centre",
            "undetermined, so little is left"
            if balance.top_degrees is None
            else stated(balance.top_degrees),
        ),
        ("Friction", stated(balance.friction)),
        ("Scatter", f"{balance.scatter_nm:.1f} N·m about the fit"),
    ]
    if weight is not None:
        rows += [
            ("Client and arm", _weight(weight.with_arm, weight.with_arm_top_degrees)),
            ("Client alone", _weight(weight.client, weight.client_top_degrees)),
        ]
    rows.append(("What to do", found.advice.text()))
    picture = balance_picture(signals, profile, analysis.sheet.facts, balance)
    sections.append(Section("Balance", facts=tuple(rows), pictures=(picture,)))
    return sections


def _weight(moment: Measured, top_degrees: Measured | None) -> str:
    top = "" if top_degrees is None else f", top dead centre {stated(top_degrees)}"
    return f"{stated(moment)}{top}"


def _next_load(analysis: RecordedAnalysis) -> Section:
    advice = load_advice(analysis)
    rule = analysis.sheet.load_rule
    facts = [
        ("Next load", "none suggested" if advice.mass_kg is None else f"{advice.mass_kg:g} kg")
    ]
    facts.append(("Why", advice.reason))
    if rule is not None:
        facts.append(
            (
                "The practice's rule",
                f"{rule.plates_up} {'plate' if rule.plates_up == 1 else 'plates'} more after "
                f"{rule.repetitions} repetitions with at most {rule.faulty} faulty; "
                f"{rule.plates_down} fewer below {rule.fewest} repetitions",
            )
        )
    return Section("Next load, by the practice's rule", facts=tuple(facts))


def _method(analysis: RecordedAnalysis) -> Section:
    kept, limits = analysis.provenance, analysis.sheet.effort_limits
    rows = tuple(
        (
            str(one.channel),
            one.quantity,
            one.calibration_id[:12],
            one.taken_at[:10] or "not dated",
            f"{one.age_days:.0f}",
            (one.due_on or "–") + (" OVERDUE" if one.overdue else ""),
        )
        for one in kept.calibrations
    )
    table = Table(
        ("channel", "quantity", "calibration", "made", "age (days)", "due"),
        rows, (0.7, 1.0, 1.6, 1.2, 1.0, 1.6), left=4, words=frozenset({5}),
        caption="Calibrations used",
    )  # fmt: skip
    facts = [
        (
            "Peak",
            f"highest mean over {limits.peak_seconds:g} s, relaxed torque before it taken off",
        ),
        ("Plateau", f"highest mean over {limits.plateau_seconds:g} s"),
        (
            "Torque in sets",
            "on the stack: plates, their friction and inertia; work of muscles has friction of the "
            "arm and the residual weight added; no correction for inertia of the body",
        ),
        ("Signs", "angle: forward bend positive; torque: extension positive"),
        ("Machine profile", f"{kept.profile_source}, SHA-256 {kept.profile_sha256[:12] or '–'}"),
        (
            "Program",
            f"steelyard {kept.program_version}, numpy {kept.numpy_version}, {kept.processor}",
        ),
        ("To check it", "steelyard recompute, with this report's web page or result file"),
    ]
    low = analysis.signals.resolvable_seconds if analysis.signals is not None else None
    if low is not None:
        facts.insert(2, ("Rise", f"not given over less than {1e3 * low:.0f} ms: the converter"
                         " settles in four conversions"))  # fmt: skip
    return Section(
        "How it was measured",
        facts=tuple(facts),
        paragraphs=(UNCERTAINTY,),
        tables=(table,) if rows else (),
        notices=() if rows else (Notice("No calibration was used: no torque is given.", True),),
    )


def _seals(analysis: RecordedAnalysis, result_id: str) -> tuple[tuple[str, str], ...]:
    kept = analysis.provenance
    return (
        ("Result (SHA-256)", result_id),
        (f"Recording {kept.recording_id} (SHA-256 of the file)", kept.recording_sha256),
        *(
            (f"Calibration of channel {one.channel} (SHA-256)", one.calibration_id)
            for one in kept.calibrations
        ),
        *((("Machine profile (SHA-256)", kept.profile_sha256),) if kept.profile_sha256 else ()),
        ("Session sheet (SHA-256)", kept.sheet_sha256),
    )
