"""A recorded session: every flag is a button that shows its place on the trace."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from nicegui import ui

from steelyard.errors import SteelyardError
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.charts import LABEL, SAND, TIDE, chart
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.parts import box, button, empty, facts, notice, section, text
from steelyard.screen.pages.refusals import guarded
from steelyard.screen.visit.flags import Flag, flags_of, remarks_of
from steelyard.strength.analysis_lines import analysis_lines
from steelyard.strength.signals import Signals

SHOWN_POINTS: Final = 4000
AROUND_SECONDS: Final = 6.0


async def review_page(bench: Bench, name: str) -> None:
    """Build the page."""
    with frame(bench, "Review", "/recordings"):
        try:
            found = await bench.desk.reviewing.analysis(name)
        except SteelyardError as error:
            notice("bad", str(error))
            return
        _facts(found)
        _filed(bench, found)
        _reports(bench, name)
        drawn = _trace(found)
        _flags(found, drawn)
        _figures(found)


def _facts(found: RecordedAnalysis) -> None:
    origin = found.provenance
    with section(found.recording.path.stem):
        facts(
            {
                "recorded": origin.recorded_at,
                "client": origin.client_code or "none",
                "machine": origin.machine or "none",
                "calibration": ", ".join(one.calibration_id[:12] for one in origin.calibrations)
                or "none",
            }
        )
        for said in remarks_of(found.found):
            notice("care" if said.spoils else "plain", said.text)


def _filed(bench: Bench, found: RecordedAnalysis) -> None:
    desk, name = bench.desk, found.recording.path.stem
    with section("Records"):
        visit = desk.records.visits.of_recording(found.recording.origin.recording_id)
        if visit is not None:
            notice("good", f"Filed as visit {visit.visit_id} of {visit.client}.")
            told = {"from": f"{visit.started_at.astimezone():%d %b %Y %H:%M}"}
            told["minutes"] = "not known" if visit.minutes is None else str(visit.minutes)
            told |= {"service": visit.service or "none", "by": visit.operator}
            facts(told)
            address = f"/client/{visit.client}/visits"
            text("a", f"Visits and trend of {visit.client}", "act quiet", href=address)
            return
        if not found.recording.origin.client_code:
            notice("plain", "The recording bears no client's code: it is filed under nobody.")
            return
        why = desk.filing_troubles.get(name, "")
        notice("care", f"It is not in the records, so no trend shows it. {why}".strip())
        again = guarded(lambda: desk.file(name), lambda: ui.navigate.to(f"/review/{name}"))
        button("File it", again, "main", key="next")


def _reports(bench: Bench, name: str) -> None:
    async def make(reader: Any) -> None:
        issued = await bench.desk.reviewing.report(name, reader)
        ui.download.file(issued.paper)

    with section("Report") as made:
        made.props["id"] = "report"
        text("p", "A PDF, and beside it the page and the figures, in the folder reports.")
        with box("div", "row"):
            button("Report for the client", guarded(lambda: make("client")), "quiet")
            button("Report for the clinician", guarded(lambda: make("clinician")), "quiet")


def _trace(found: RecordedAnalysis) -> ui.echart | None:
    with section("Trace", "wide"):
        if found.signals is None:
            empty("Nothing could be measured.", "The remarks say why.")
            return None
        rows = _thinned(found.signals)
        spans = [
            [
                {"xAxis": flag.start_seconds},
                {"xAxis": max(flag.end_seconds, flag.start_seconds + 1)},
            ]
            for flag in flags_of(found.found)
        ]
        line: dict[str, Any] = {"type": "line", "symbol": "none", "connectNulls": False}
        return chart(
            "Torque and angle over the session; flagged stretches are shaded",
            "s",
            "N·m, °",
            [
                {
                    **line,
                    "name": "torque, N·m",
                    "data": [[at, nm] for at, nm, _ in rows],
                    "lineStyle": {"width": 2},
                    "markArea": {"data": spans, "itemStyle": {"color": SAND, "opacity": 0.25}},
                },
                {
                    **line,
                    "name": "angle, °",
                    "data": [[at, degrees] for at, _, degrees in rows],
                    "lineStyle": {"type": "dashed", "width": 1.5, "color": TIDE},
                    "itemStyle": {"color": TIDE},
                },
            ],
            legend={"textStyle": LABEL, "top": 0, "right": 10},
            dataZoom=[{"type": "inside"}, {"type": "slider", "height": 18, "bottom": 2}],
        )


def _thinned(signals: Signals) -> list[list[float | None]]:
    step = max(1, len(signals.seconds) // SHOWN_POINTS)
    columns = (signals.seconds, signals.torque, signals.degrees)
    rows = np.column_stack([column[::step] for column in columns])
    return [[None if np.isnan(x) else round(float(x), 2) for x in row] for row in rows]


def _flags(found: RecordedAnalysis, drawn: ui.echart | None) -> None:
    flags = flags_of(found.found)
    with section("Flags", "wide"):
        if not flags:
            notice("good", "Nothing is flagged.")
            return
        text("p", "Each one shows its place on the trace.", "quiet")
        with box("ol", "flags"):
            for flag in flags:
                with box("li"):
                    sign = "✕ " if flag.spoils else ""
                    button(
                        f"{flag.start_seconds:.1f} s: {sign}{flag.text}",
                        lambda flag=flag: _show(drawn, flag),
                        "quiet flag",
                    )
        button("Show all of it", lambda: _zoom(drawn, None), "quiet", key="back")


def _show(drawn: ui.echart | None, flag: Flag) -> None:
    _zoom(drawn, (flag.start_seconds - AROUND_SECONDS, flag.end_seconds + AROUND_SECONDS))


def _zoom(drawn: ui.echart | None, span: tuple[float, float] | None) -> None:
    if drawn is None:
        return
    how = {"start": 0, "end": 100} if span is None else {"startValue": span[0], "endValue": span[1]}
    drawn.run_chart_method("dispatchAction", {"type": "dataZoom", "dataZoomIndex": 1, **how})


def _figures(found: RecordedAnalysis) -> None:
    with section("Figures", "wide"):
        if found.profile is None:
            empty("There are none.", "The remarks say why.")
            return
        with box("div", "lines"):
            for line in analysis_lines(found.found, found.profile):
                text("p", line)
