"""The part of the client's page where the clinician enters limits; every version stays."""

from __future__ import annotations

from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.limits_entry import (
    OPTIONAL,
    PARTS,
    TICKS,
    Part,
    limits_read,
    limits_shown,
)
from steelyard.screen.pages.parts import box, button, notice, section, text
from steelyard.screen.pages.refusals import guarded
from steelyard.store.kept import KeptLimits, Limits


def limits_part(bench: Bench) -> None:
    """Range, prescription, rules for stopping, when an effort counts."""
    desk, code = bench.desk, bench.desk.client_code
    records, machine = desk.records, desk.profile.name
    current = records.limits.current(code, machine)
    before = current.limits if current else Limits()
    form = Form(**limits_shown(before))

    def save() -> None:
        limits = limits_read(form, before, desk.profile)
        records.limits.save(code, machine, limits, current.number if current else 0)

    def undo() -> None:
        history = records.limits.history(code, machine)
        records.limits.save(code, machine, history[1].limits, history[0].number)

    with section(f"Limits on {machine}", "wide"):
        _said(current)
        _range(form, desk.profile.travel_degrees)
        for part in PARTS:
            _group(form, part)
        with box("div", "row"):
            button("Save the limits", guarded(save), "quiet")
            if current is not None and current.number > 1:
                button("Back to the limits before", guarded(undo), "quiet")


def _said(current: KeptLimits | None) -> None:
    text("p", "They are the clinician's; the program adds nothing to them.", "quiet")
    if current is None:
        notice("plain", "None are entered: the machine's range and the usual rules hold.")
        return
    when = current.entered_at.astimezone()
    told = f"Limits {current.number}, entered by {current.entered_by}, {when:%d %b %Y %H:%M}."
    text("p", told, "quiet")


def _range(form: Form, travel_degrees: tuple[float, float]) -> None:
    low, high = travel_degrees
    own = f"The machine's own: {low:g}° to {high:g}°. Forward bend is positive."
    with box("div", "fields"):
        form.field("range_low", "Extended end, °", own)
        form.field("range_high", "Flexed end, °", own)
        form.field("torque_limit_nm", "Torque not to be exceeded, N·m", "Empty: none.")
        form.field("stations", "Isometric stations, °", "Empty: spread over the range.")


def _group(form: Form, part: Part) -> None:
    with box("details", "group"):
        text("summary", part.title)
        with box("div", "fields"):
            for name, label in part.labels.items():
                if name in TICKS:
                    form.tick(name, label)
                else:
                    form.field(name, label, "Empty: no such limit." if name in OPTIONAL else "")
