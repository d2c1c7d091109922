"""The client's report: a page or two in plain words, one large picture, no judgement.

What cannot be told is said as plainly as what can; an effort that does not count is
never shown as a good figure.
"""

from __future__ import annotations

from typing import Any, Final

from steelyard.printed.document import BigFigure, Notice, PrintedDocument, Section
from steelyard.report.curve_picture import curve_picture
from steelyard.report.next_steps import load_advice
from steelyard.report.plain_words import FORM_WORDS, why_no_figures, worth_saying
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.report.visit_comparison import Line, VisitComparison
from steelyard.report.wording import change_text
from steelyard.strength.isometric import IsometricTest
from steelyard.strength.machine_profile import Joint
from steelyard.strength.set_summary import SetSummary

CAUTION: Final = (
    "This was measured in our practice with our own equipment. It is not a medical device, and "
    "this page is no medical advice. Ask us, or your doctor, about anything that hurts or worries "
    "you."
)
BODY_PARTS: Final = {Joint.LUMBAR: "back", Joint.CERVICAL: "neck"}


def client_report(
    analysis: RecordedAnalysis,
    content: dict[str, Any],
    comparison: VisitComparison | None,
    *,
    issued_at: str,
    practice: str = "",
) -> PrintedDocument:
    """Put it together; ``content`` is the result that goes with it.  Needs matplotlib."""
    kept = analysis.provenance
    part = BODY_PARTS[analysis.profile.joint] if analysis.profile else "strength"
    sections = [_first(analysis, comparison)]
    if analysis.measured:
        sections += [
            *_strength(analysis, comparison),
            *_form(analysis),
            *_since_last(comparison),
        ]
        sections.append(_next(analysis))
    if analysis.sheet.client_note:
        sections.append(Section("A word from us", paragraphs=(analysis.sheet.client_note,)))
    return PrintedDocument(
        title=f"Your {part} session",
        subtitle=" · ".join(
            text for text in (practice, f"{kept.recorded_at[:10]}", kept.client_code) if text
        ),
        number=str(content["result_id"])[:12],
        issued_at=issued_at,
        caution=CAUTION,
        headline=(),
        sections=tuple(sections),
        seals=(),
        foot=_foot(analysis, str(content["result_id"])[:12]),
        data=content,
        large=True,
    )


def _foot(analysis: RecordedAnalysis, number: str) -> str:
    used = ", ".join(
        f"{one.calibration_id[:12]} of {one.taken_at[:10] or 'no date'}"
        for one in analysis.provenance.calibrations
    )
    by = f"; measured with calibration {used}" if used else ""
    return f"number {number}: with it every figure here can be checked{by}"


def _first(analysis: RecordedAnalysis, comparison: VisitComparison | None) -> Section:
    """Three figures at most, or why there are none."""
    if not analysis.measured:
        return Section(
            "No figures today", notices=(Notice(why_no_figures(analysis.found.statements), True),)
        )
    figures = [_best(analysis), _repetitions(analysis.found.sets), _since(comparison)]
    notices = tuple(Notice(text, grave) for text, grave in worth_saying(analysis.found))
    return Section(
        "At a glance",
        figures=tuple(one for one in figures if one is not None),
        notices=notices,
    )


def _best(analysis: RecordedAnalysis) -> BigFigure | None:
    tests = analysis.found.tests
    if not tests or not tests[0].stations:
        return None
    peaks = [
        best.peak
        for station in tests[0].stations
        if (best := station.best) is not None and best.peak is not None
    ]
    if not peaks:
        return BigFigure("Strength", "not measured", "No effort could be counted; see below.")
    highest = max(peaks, key=lambda one: one.value)
    return BigFigure("Strongest effort", highest.text(), "± how surely we know it")


def _repetitions(sets: tuple[SetSummary, ...]) -> BigFigure | None:
    if not sets:
        return None
    count = sum(one.count for one in sets)
    good = sum(not each.findings for one in sets for each in one.repetitions)
    remark = f"{good} of them done as asked" if good else "none of them as asked yet"
    return BigFigure("Repetitions", str(count), remark)


def _since(comparison: VisitComparison | None) -> BigFigure | None:
    line = None if comparison is None else comparison.whole
    if line is None or line.since_last is None:
        return None
    remark = "a real change" if line.since_last.real else "within the usual day to day"
    return BigFigure("Since last time", change_text(line.since_last.change), remark)


def _strength(analysis: RecordedAnalysis, comparison: VisitComparison | None) -> list[Section]:
    found = analysis.found
    if not found.tests or not found.tests[0].stations:
        return []
    curve, test = found.curves[0], found.tests[0]
    title = "Your strength from leaning back to bending forward"
    notices = _left_out(test)
    if curve is None:
        text = "There are too few efforts that count to draw your strength; we will test again."
        return [Section(title, notices=(*notices, Notice(text)))]
    before = comparison.earlier[-1].curve if comparison is not None else None
    others = [] if before is None or comparison is None else [
        (f"last time ({comparison.earlier[-1].day})", before)
    ]  # fmt: skip
    picture = curve_picture(curve, test, others, name="today", for_client=True)
    return [Section(title, notices=notices, pictures=(picture,))]


def _left_out(test: IsometricTest) -> tuple[Notice, ...]:
    bad = [one for one in test.efforts if not one.valid]
    if not bad:
        return ()
    total = len(test.efforts)
    stations = [one for one in test.stations if one.best is None]
    text = f"{len(bad)} of your {total} efforts did not count and {_are(len(bad))} left out."
    if stations:
        places = ", ".join(f"{one.degrees:z.0f}°" for one in stations)
        text += f" Nothing is shown at {places}."
    return (Notice(text),)


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _form(analysis: RecordedAnalysis) -> list[Section]:
    sets = analysis.found.sets
    if not sets:
        return []
    texts = []
    for number, one in enumerate(sets, start=1):
        name = "Your set" if len(sets) == 1 else f"Set {number}"
        texts.append(
            f"{name}: {_repetitions_text(one.count)}, {one.seconds_under_load:.0f} s of work."
        )
        for fault, count in one.fault_counts.most_common():
            times = "once" if count == 1 else f"{count} times"
            texts.append(f"• {FORM_WORDS[fault]} ({times})")
        if not one.fault_counts:
            texts.append("• Smooth and through the whole range. Well done.")
        if one.stop is not None:
            texts.append(
                f"• After repetition {one.stop.after_repetition} was the moment to stop: "
                f"{one.stop.reason}."
            )
    return [Section("How you moved", paragraphs=tuple(texts))]


def _repetitions_text(count: int) -> str:
    return "one repetition" if count == 1 else f"{count} repetitions"


def _since_last(comparison: VisitComparison | None) -> list[Section]:
    if comparison is None:
        return []
    texts = [_line_words(line) for line in comparison.lines]
    days = comparison.days
    closing = (
        "Everybody differs a little from day to day. We call a change real only when it is larger "
        "than that."
    )
    learning = (
        (
            "Your first test is part of this comparison. The second time most people know better "
            "what to do, so some of a first gain is practice, not strength."
        ,)
        if len(days) == 2
        else ()
    )  # fmt: skip
    return [
        Section(
            f"Since last time ({days[-2]})",
            paragraphs=(*filter(None, texts), closing, *learning),
        )
    ]


def _line_words(line: Line) -> str:
    if line.since_last is None:
        return ""
    change = line.since_last
    name = "Over the whole range" if line.name.startswith("whole") else line.name.capitalize()
    if not change.real:
        return f"• {name}: {change_text(change.change)}, no more than day to day. No real change."
    way = "stronger" if change.change.value > 0.0 else "less strong"
    return f"• {name}: {change_text(change.change)}. You are {way}, and the change is real."


def _next(analysis: RecordedAnalysis) -> Section:
    advice = load_advice(analysis)
    if advice.mass_kg is None:
        return Section("Next time", paragraphs=(f"We will decide together. {advice.reason}",))
    return Section(
        "Next time",
        figures=(BigFigure("Plates", f"{advice.mass_kg:g} kg", "by our practice's rule"),),
        paragraphs=(f"Why: {advice.reason}",),
    )
