"""A client's limits as lines of text and back: what the form shows, and what it takes."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Final

from steelyard.errors import EntryError
from steelyard.screen.pages.fields import Form
from steelyard.store.kept import Limits
from steelyard.strength.effort import EffortLimits
from steelyard.strength.form_faults import Prescription
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.set_summary import StopRules

OPTIONAL: Final = frozenset(
    {
        "torque_limit_nm", "range_degrees", "repetitions", "faulty_in_a_row",
        "speed_loss_percent", "range_loss_percent", "seconds_under_load",
    }
)  # fmt: skip
"""Empty means: no such limit.  Empty elsewhere means: as usual."""
WHOLE: Final = frozenset({"repetitions", "faulty_in_a_row"})
TICKS: Final = frozenset({"keeps_tension", "stop_on_slip"})
LISTS: Final = frozenset({"rise_seconds"})


@dataclass(frozen=True)
class Part:
    """A group of the form; ``labels`` by the names of the record's fields."""

    title: str
    name: str
    usual: Any
    labels: dict[str, str]


PARTS: Final = (
    Part(
        "Prescription",
        "prescription",
        Prescription(),
        {
            "concentric_seconds": "Tempo going up, s",
            "eccentric_seconds": "Tempo going down, s",
            "range_degrees": "Range asked for, °",
            "keeps_tension": "The plates must not be set down between repetitions",
            "rushed_ratio": "Rushed: below this share of the time",
            "short_ratio": "Short: below this share of the range",
            "thrown_share": "Thrown: first 30 % in less than this share of the time",
            "uneven_dip": "Uneven: speed dips by more than this share",
            "landing_speed": "Dropped: plates land faster than, °/s",
            "touched_ratio": "Set down: load below this share",
            "slip_degrees": "Slipped: more than this in a repetition, °",
        },
    ),
    Part(
        "Rules for stopping a set",
        "stop_rules",
        StopRules(),
        {
            "repetitions": "After so many repetitions",
            "faulty_in_a_row": "After so many faulty ones in a row",
            "speed_loss_percent": "When speed has fallen by, %",
            "range_loss_percent": "When range has fallen by, %",
            "seconds_under_load": "After so long under load, s",
            "stop_on_slip": "When the restraint slips",
        },
    ),
    Part(
        "When an isometric effort counts",
        "effort_limits",
        EffortLimits(),
        {
            "peak_seconds": "Peak over, s",
            "plateau_seconds": "Plateau over, s",
            "rise_seconds": "Rate of rise over, s (several)",
            "abrupt_seconds": "Not abrupt: rise takes at least, s",
            "dip_ratio": "Dip before the rise at most, share of the peak",
            "held_seconds": "Held for at least, s",
            "held_ratio": "Held: within this share of the peak",
            "moved_degrees": "Arm moved by at most, °",
            "repeat_ratio": "Two efforts differ by at most, share",
        },
    ),
)


def limits_shown(limits: Limits) -> dict[str, str]:
    """Every field of the form as text."""
    low, high = limits.client_range or (None, None)
    shown = {
        "range_low": _shown(low),
        "range_high": _shown(high),
        "torque_limit_nm": _shown(limits.torque_limit_nm),
        "stations": _shown(limits.stations_degrees),
    }
    for part in PARTS:
        held = getattr(limits, part.name)
        shown |= {name: _shown(getattr(held, name)) for name in part.labels}
    return shown


def limits_read(form: Form, before: Limits, profile: MachineProfile) -> Limits:
    """What was typed; what the form does not show stays as it was.

    Raises SteelyardError for what is no number or lies beyond the machine; contradictions
    between numbers are the store's to refuse.
    """
    parts = {part.name: _part(form, part, getattr(before, part.name)) for part in PARTS}
    return replace(
        before,
        client_range=_range(form, profile),
        torque_limit_nm=form.number("torque_limit_nm", "the limit of torque"),
        stations_degrees=form.numbers("stations", "a station"),
        **parts,
    )


def _range(form: Form, profile: MachineProfile) -> tuple[float, float] | None:
    low = form.number("range_low", "the extended end")
    high = form.number("range_high", "the flexed end")
    if low is None and high is None:
        return None
    if low is None or high is None:
        raise EntryError(
            "Only one end of the range is given.", "Give both, or none: then it is the machine's."
        )
    least, most = profile.travel_degrees
    if not (least <= low and high <= most):
        raise EntryError(
            f"The range {low:g}° to {high:g}° goes beyond the {profile.name}'s own,"
            f" {least:g}° to {most:g}°.",
            "Forward bend is positive; check the signs.",
        )
    return low, high


def _part(form: Form, part: Part, before: Any) -> Any:
    return replace(before, **{name: _value(form, part, name) for name in part.labels})


def _value(form: Form, part: Part, name: str) -> Any:
    meaning = f"“{part.labels[name]}”"
    if name in TICKS:
        return bool(form[name])
    if name in LISTS:
        return form.numbers(name, meaning) or getattr(part.usual, name)
    typed = form.number(name, meaning)
    if typed is None:
        return None if name in OPTIONAL else getattr(part.usual, name)
    if not 0.0 < typed <= 1000.0:  # not for a number that is none, either
        raise EntryError(
            f"{typed:g} does not serve for {meaning}: it has to lie above 0, up to 1000.",
            "Correct it.",
        )
    if name in WHOLE and typed != round(typed):
        raise EntryError(f"{typed:g} is no whole number for {meaning}.", "Count in whole ones.")
    return round(typed) if name in WHOLE else typed


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, tuple):
        return " ".join(f"{one:g}" for one in value)
    return "" if value is None else f"{value:g}"


def unlabelled() -> set[str]:
    """Fields of the records that the form forgets; none, or a test fails."""
    return {
        f"{part.name}.{one.name}"
        for part in PARTS
        for one in fields(part.usual)
        if one.name not in part.labels
    }
