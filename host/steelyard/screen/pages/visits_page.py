"""A client's visits, and whether what was measured changes from one to the next."""

from __future__ import annotations

from pathlib import Path

from steelyard.errors import NotKeptError, SteelyardError
from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.frame import frame
from steelyard.screen.pages.parts import box, empty, notice, section, text
from steelyard.screen.pages.trend_charts import figure_part, trend_table
from steelyard.store.kept import Visit, VisitFilter

SHOWN_VISITS = 60


def visits_page(bench: Bench, code: str) -> None:
    """Build the page.  ``code`` comes from the address: it may be anything."""
    with frame(bench, "Visits and trend", "/client"):
        try:
            client = bench.desk.records.clients.get(code)
            _visits(bench, client.code)
            _trend(bench, client.code)
        except SteelyardError as error:
            notice("bad", str(error))


def _visits(bench: Bench, code: str) -> None:
    records, wanted = bench.desk.records, VisitFilter(client=code)
    total = records.visits.count(wanted)
    with section(f"Visits of {code}", "wide"):
        if not total:
            empty(f"No visit of {code} is kept.", "One that ends on the page Visit is filed here.")
            return
        if total > SHOWN_VISITS:
            text("p", f"The latest {SHOWN_VISITS} of {total}.", "quiet")
        with box("ul", "plain-list"):
            for line in records.visits.list(wanted, limit=SHOWN_VISITS):
                _visit(bench, records.visits.get(line.visit_id))


def _visit(bench: Bench, visit: Visit) -> None:
    minutes = "" if visit.minutes is None else f", {visit.minutes} min"
    service = visit.service or "no service"
    own = bench.desk.profile.name
    machine = own if own.casefold() == visit.machine.casefold() else visit.machine
    with box("li"):
        text("span", f"{visit.started_at.astimezone():%d %b %Y %H:%M}")
        text("span", f"{machine}, {service}{minutes}, by {visit.operator}", "quiet")
        with box("span", "row"):
            names = [path.stem for path in bench.desk.reviewing.names()]
            stems = [Path(one.path).stem for one in visit.recordings]
            for stem in (stem for stem in stems if stem in names):
                for words, place in (("Review", ""), ("Report", "#report")):
                    text(
                        "a",
                        words,
                        "act quiet",
                        href=f"/review/{stem}{place}",
                        aria_label=f"{words} of visit {visit.visit_id}",
                    )
            if not set(stems) & set(names):
                text("span", "its recording is not on this computer", "quiet")


def _trend(bench: Bench, code: str) -> None:
    machine = bench.desk.profile.name
    try:
        found = bench.desk.records.trends.of_client(code, machine)
    except NotKeptError:
        with section(f"Trend on {machine}", "wide"):
            empty(
                f"No isometric test of {code} on {machine} is kept.",
                "It begins with the first visit that has one.",
            )
        return
    with section(f"Trend on {machine}", "wide"):
        text(
            "p",
            "The test before the first set of each visit. An in-house measurement, not a medical"
            " device: what a change means is for a licensed professional to say.",
            "quiet",
        )
        if found.learning:
            notice("plain", found.learning)
        trend_table(found)
    if found.curve is not None:
        low, high = found.curve.low_degrees, found.curve.high_degrees
        figure_part(f"Whole curve: mean torque from {low:z.0f}° to {high:z.0f}°", found.curve.mean)
    for station in found.stations:
        figure_part(f"At {station.degrees:z.0f}°", station)
