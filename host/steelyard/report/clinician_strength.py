"""Sections of the clinician's report on strength: isometric tests, sets, before and after."""

from __future__ import annotations

from steelyard.printed.document import Notice, Section, Table
from steelyard.report.curve_picture import curve_picture
from steelyard.report.effort_picture import effort_picture
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.report.set_picture import set_picture
from steelyard.report.wording import DASH, UNCERTAINTY, change_text, in_cell, notice, stated
from steelyard.strength.effort import Effort
from steelyard.strength.isometric import IsometricTest
from steelyard.strength.repetition_measures import PEAK_SECONDS
from steelyard.strength.set_summary import SetRepetition, SetSummary
from steelyard.strength.signals import Signals
from steelyard.strength.torque_curve import TorqueCurve


def sections(analysis: RecordedAnalysis) -> list[Section]:
    """All of them, in the order of an operator's work."""
    found, signals = analysis.found, analysis.signals
    if signals is None:
        return []
    made = []
    for number, (test, curve) in enumerate(zip(found.tests, found.curves, strict=True), start=1):
        name = "Isometric test" if len(found.tests) == 1 else f"Isometric test {number}"
        made.append(_test(signals, name, test))
        if number == 1 and test.stations:
            made.append(_curve(test, curve, found.curves[1:]))
    made += [_set(signals, number, one) for number, one in enumerate(found.sets, start=1)]
    if not found.sets:
        made.append(Section("Repetitions", paragraphs=("None under load is in this recording.",)))
    if len(found.tests) > 1:
        made.append(_before_after(analysis))
    return made


def _test(signals: Signals, name: str, test: IsometricTest) -> Section:
    if not test.stations:
        return Section(name, paragraphs=("No effort is in this recording: see the beginning.",))
    rows: list[tuple[str, ...]] = []
    quiet: set[int] = set()
    remarks: list[Notice] = []
    for station in test.stations:
        for number, effort in enumerate(station.efforts, start=1):
            if not effort.valid:
                quiet.add(len(rows))
            rows.append(_effort_row(station.degrees, number, effort, effort is station.best))
            remarks += [
                Notice(f"At {station.degrees:z.0f}°, effort {number}: {one.text}", one.spoils)
                for one in effort.statements
            ]
    table = Table(
        ("station", "effort", "counts", "peak (N·m)", "plateau (N·m)", "to peak (s)",
         "steady (%)", "arm moved (°)", "noise (N·m)"),
        tuple(rows), (1.0, 0.9, 1.5, 1.7, 1.7, 1.2, 1.2, 1.5, 1.4), left=1,
        caption=f"{UNCERTAINTY} “best”: taken for the curve. Set in italics: does not count, and "
        "is not used anywhere.",
        quiet=frozenset(quiet), words=frozenset({2}),
    )  # fmt: skip
    return Section(
        name,
        notices=tuple(remarks),
        tables=(table, *_rises(test)),
        pictures=(effort_picture(signals, test),),
        tables_last=True,
    )


def _rises(test: IsometricTest) -> tuple[Table, ...]:
    """Mean rise over each window; nothing where none could be resolved."""
    windows = sorted({window for one in test.efforts for window, _ in one.rise})
    if not windows:
        return ()
    rows: list[tuple[str, ...]] = []
    quiet: set[int] = set()
    for station in test.stations:
        for number, effort in enumerate(station.efforts, start=1):
            if not effort.valid:
                quiet.add(len(rows))
            found = dict(effort.rise)
            counts = "" if effort.valid else " NOT VALID"
            values = (in_cell(found.get(window)) for window in windows)
            rows.append((f"{station.degrees:z.0f}°, effort {number}{counts}", *values))
    headings = tuple(f"{1e3 * window:.0f} ms" for window in windows)
    return (
        Table(
            ("station", *headings), tuple(rows), (2.0, *(1.0 for _ in windows)),
            caption=f"Mean rise of torque from the onset (N·m/s). {UNCERTAINTY}",
            quiet=frozenset(quiet),
        ),
    )  # fmt: skip


def _effort_row(degrees: float, number: int, one: Effort, best: bool) -> tuple[str, ...]:
    steady, moved = one.steadiness_percent, one.angle_change_degrees
    after = one.time_to_peak_seconds
    return (
        f"{degrees:z.0f}°",
        str(number),
        ("yes, best" if best else "yes") if one.valid else "NOT VALID",
        in_cell(one.peak),
        in_cell(one.plateau),
        DASH if after is None else f"{after:.1f}",
        DASH if steady is None else f"{steady:.1f}",
        DASH if moved is None else f"{moved:.1f}",
        f"{one.noise_nm:.2g}",
    )


def _curve(
    test: IsometricTest, curve: TorqueCurve | None, later: tuple[TorqueCurve | None, ...]
) -> Section:
    title = "Torque against angle"
    if curve is None:
        text = "No curve: fewer than two stations have a valid effort."
        return Section(title, notices=(Notice(text, True),))
    others = [(f"test {n}", one) for n, one in enumerate(later, start=2) if one is not None]
    facts = (
        ("Range", f"{curve.low_degrees:z.0f}° to {curve.high_degrees:z.0f}°"),
        ("Area under the curve", stated(curve.area())),
        ("Flexed over extended", f"{stated(curve.flexed_to_extended())}; calibration cancels"),
    )
    name = "this visit" if not others else "test 1"
    picture = curve_picture(curve, test, others, name=name)
    return Section(title, facts=facts, pictures=(picture,))


def _set(signals: Signals, number: int, one: SetSummary) -> Section:
    faults = ", ".join(f"{fault.value} {count}×" for fault, count in one.fault_counts.items())
    facts = [
        ("Repetitions", f"{one.count}; time under load {one.seconds_under_load:.0f} s"),
        ("Work on the stack, up", stated(one.work)),
        ("Form", faults or "no fault found"),
    ]
    for name, change in (("Speed", one.speed_change), ("Range", one.range_change)):
        if change is not None:
            facts.append((f"{name} over the set", change_text(change)))
    if one.stop is not None:
        facts.append(("Stop by rule", f"after {one.stop.after_repetition}: {one.stop.reason}"))
    movement = Table(
        ("no.", "up (s)", "turn (s)", "down (s)", "range (°)", "smooth", "form"),
        tuple(_movement_row(each) for each in one.repetitions),
        (0.6, 0.9, 0.9, 0.9, 1.3, 1.0, 3.0), left=0,
        caption=f"{UNCERTAINTY} Smoothness: spectral arc length (nearer to 0 is smoother).",
        words=frozenset({6}),
    )  # fmt: skip
    torque = Table(
        ("no.", "mean up (N·m)", "peak up (N·m)", "mean down (N·m)", "peak down (N·m)",
         "work up (J)", "by muscles (J)", "power up (W)"),
        tuple(_torque_row(each) for each in one.repetitions),
        (0.6, 1.4, 1.4, 1.4, 1.4, 1.4, 1.5, 1.2), left=0,
        caption=f"Torque, work and power on the stack. Mean torque by angle, peak over "
        f"{PEAK_SECONDS:g} s. {UNCERTAINTY}",
    )  # fmt: skip
    return Section(
        f"Set {number}",
        facts=tuple(facts),
        notices=tuple(map(notice, one.statements)),
        pictures=(set_picture(signals, one),),
        tables=(movement, *_faults(one), torque),
        tables_last=True,
    )


def _faults(one: SetSummary) -> tuple[Table, ...]:
    """Each fault with the number that shows it; nothing where there is none."""
    rows = tuple(
        (str(each.number), "; ".join(f"{item.fault.value}: {item.text}" for item in each.findings))
        for each in one.repetitions
        if each.findings
    )
    if not rows:
        return ()
    return (Table(("no.", "faults of form"), rows, (0.5, 9.0), left=2),)


def _movement_row(one: SetRepetition) -> tuple[str, ...]:
    measures = one.measures
    up, down = measures.concentric, measures.eccentric
    form = ", ".join(dict.fromkeys(item.fault.value for item in one.findings))
    if up is None or down is None:
        text = ", ".join(part for part in ("samples missing", form) if part)
        return (str(one.number), *(DASH,) * 3, in_cell(measures.range_degrees), DASH, text)
    return (
        str(one.number),
        f"{up.seconds:.1f}",
        f"{measures.turn_seconds:.1f}",
        f"{down.seconds:.1f}",
        in_cell(measures.range_degrees),
        f"{up.smoothness:.2f}",
        form or "good",
    )


def _torque_row(one: SetRepetition) -> tuple[str, ...]:
    up, down = one.measures.concentric, one.measures.eccentric
    if up is None or down is None:
        return (str(one.number), *(DASH,) * 7)
    figures = (up.mean_torque, up.peak_torque, down.mean_torque, down.peak_torque)
    return (str(one.number), *map(in_cell, (*figures, up.work, up.muscle_work, up.mean_power)))


def _before_after(analysis: RecordedAnalysis) -> Section:
    responses = analysis.found.responses
    title = "Before and after: what the set took out"
    if not responses:
        text = "No station has a valid effort both before and after: nothing is compared."
        return Section(title, notices=(Notice(text, True),))
    rows = tuple(
        (
            f"{one.degrees:z.0f}°",
            in_cell(one.before),
            in_cell(one.after),
            change_text(one.change).removesuffix(one.change.unit).strip(),
            change_text(one.change_percent).removesuffix("%").strip(),
            "more than its uncertainty" if one.real else "within its uncertainty",
        )
        for one in responses
    )
    table = Table(
        ("station", "before (N·m)", "after (N·m)", "change (N·m)", "change (%)", "verdict"),
        rows, (0.8, 1.3, 1.3, 1.4, 1.4, 2.0), words=frozenset({5}),
        caption=f"{UNCERTAINTY} The calibration's share cancels in the percentage. The verdict is "
        "about the measurement; people also vary from test to test by themselves.",
    )  # fmt: skip
    return Section(title, tables=(table,))
