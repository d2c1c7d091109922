"""Faults of form, repetition by repetition, against what the clinician prescribed.

The bounds are common practice without a source; the practice may set its own.
Breathing is not measured, so nothing is said about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from steelyard.strength.repetition_measures import RepetitionMeasures


class Fault(Enum):
    """What can be wrong with a repetition."""

    RUSHED = "rushed"
    THROWN = "thrown at the start"
    SHORT = "short of range"
    STACK_TOUCHED = "stack set down"
    STACK_BOUNCED = "stack dropped"
    UNEVEN = "uneven"
    SLIPPED = "restraint slipped"


@dataclass(frozen=True)
class Prescription:
    """Tempo in seconds, range in degrees (flexed to extended end), and how strictly it is meant.

    A phase shorter than ``rushed_ratio`` of its time is rushed; a range below
    ``short_ratio`` of the client's own is short.  ``thrown_share``: 30 % of the
    way done in less than this share of the time.  ``uneven_dip``: speed
    falls and recovers by more than this share of its peak.
    ``landing_speed`` in degrees/s; ``keeps_tension``: the plates must not be set
    down between repetitions; ``slip_degrees`` in one repetition.
    """

    concentric_seconds: float = 2.0
    eccentric_seconds: float = 4.0
    range_degrees: float | None = None
    keeps_tension: bool = False
    rushed_ratio: float = 0.70
    short_ratio: float = 0.88
    thrown_share: float = 0.27
    uneven_dip: float = 0.20
    landing_speed: float = 25.0
    touched_ratio: float = 0.5
    slip_degrees: float = 0.6


@dataclass(frozen=True)
class Finding:
    """A fault with the number that shows it."""

    fault: Fault
    text: str


def find_faults(
    one: RepetitionMeasures,
    prescribed: Prescription,
    client_range_degrees: float,
    *,
    last: bool = False,
) -> tuple[Finding, ...]:
    """All faults of one repetition; none of one with missing samples but short range and slip.

    After the ``last`` one of a set the stack may be set down.
    """
    found: list[Finding] = []
    wanted = prescribed.range_degrees or client_range_degrees
    if one.range_degrees.value < prescribed.short_ratio * wanted:
        share = 100.0 * one.range_degrees.value / wanted
        found.append(Finding(Fault.SHORT, f"{share:.0f} % of the range"))
    if one.slip_degrees is not None and abs(one.slip_degrees) > prescribed.slip_degrees:
        found.append(Finding(Fault.SLIPPED, f"by {one.slip_degrees:+.1f}°"))
    if one.whole:
        found += _of_movement(one, prescribed, one.range_degrees.value / wanted, last)
    return tuple(found)


def _of_movement(
    one: RepetitionMeasures, prescribed: Prescription, range_share: float, last: bool
) -> list[Finding]:
    up, down = one.concentric, one.eccentric
    if up is None or down is None:
        return []
    found: list[Finding] = []
    # Half the way in half the time is the prescribed speed: short is another fault.
    share = min(1.0, range_share)
    slow_enough = (
        (up.seconds, share * prescribed.concentric_seconds, "up"),
        (down.seconds, share * prescribed.eccentric_seconds, "down"),
    )
    for seconds, asked, way in slow_enough:
        if seconds < prescribed.rushed_ratio * asked:
            found.append(Finding(Fault.RUSHED, f"{way} in {seconds:.1f} s of {asked:.1f} s"))
    if up.early_share < prescribed.thrown_share:
        text = f"30 % of the way up in {100.0 * up.early_share:.0f} % of the time"
        found.append(Finding(Fault.THROWN, text))
    dip = max(up.dip, down.dip)
    if dip > prescribed.uneven_dip:
        found.append(Finding(Fault.UNEVEN, f"speed fell by {100.0 * dip:.0f} % in between"))
    touched = one.lightest_ratio < prescribed.touched_ratio
    if touched and prescribed.keeps_tension and not last:
        text = f"torque fell to {100.0 * max(0.0, one.lightest_ratio):.0f} % of the load"
        found.append(Finding(Fault.STACK_TOUCHED, text))
    if touched and one.landing_speed > prescribed.landing_speed:
        text = f"the arm came down at {one.landing_speed:.0f} °/s"
        found.append(Finding(Fault.STACK_BOUNCED, text))
    return found
