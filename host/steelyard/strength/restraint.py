"""Does the restraint hold?  The roller on pelvis or chest must stay still while the arm moves.

About 72 degrees of flexion and extension come from the lumbar spine when the
pelvis is held (common practice, no source; Troke et al. 2005, Clin Rehabil
19:371-379, found 72 degrees of flexion and 29 of extension standing, in the
young).  An arm that travels far beyond that while the roller is still means
that the roller does not see the pelvis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from steelyard.strength.lowpass import low_pass
from steelyard.strength.machine_profile import Joint, MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.signals import GRID_HZ, Signals

LUMBAR_RANGE_DEGREES: Final = 72.0
WELL_PAST: Final = 1.10
ENOUGH_MOVEMENT_DEGREES: Final = 15.0
_SMOOTH_HZ: Final = 1.5
_STEP_SECONDS: Final = 0.2
_SETTLE_SECONDS: Final = 0.6
_EDGE_SECONDS: Final = 0.5


@dataclass(frozen=True)
class Slip:
    """A lasting movement of the roller: when it began and how far it went."""

    seconds: float
    degrees: float


@dataclass(frozen=True)
class RestraintCheck:
    """``holds`` None where it could not be judged; ranges in degrees."""

    holds: bool | None
    arm_range_degrees: float
    roller_range_degrees: float | None
    slips: tuple[Slip, ...]
    statements: tuple[Statement, ...]


def check_restraint(
    signals: Signals, profile: MachineProfile, start: float, end: float
) -> RestraintCheck:
    """Judge the restraint from gentle movement between two times."""
    part = signals.between(start, end)
    arm = signals.smooth_degrees[part]
    arm = arm[np.isfinite(arm)]
    arm_range = float(np.ptp(arm)) if len(arm) else 0.0
    if signals.roller_degrees is None or profile.roller is None:
        return RestraintCheck(None, arm_range, None, (), (_no_roller(),))
    roller = _smooth(signals)[part]
    known = np.isfinite(roller)
    if arm_range < ENOUGH_MOVEMENT_DEGREES or known.mean() < 0.9:
        return RestraintCheck(None, arm_range, None, (), (_not_judged(arm_range, known.mean()),))
    roller_range = float(np.ptp(roller[known]))
    slips = find_slips(signals, profile, start, end)
    statements = [slip_statement(slip) for slip in slips]
    if profile.joint is Joint.LUMBAR and not slips and arm_range > WELL_PAST * LUMBAR_RANGE_DEGREES:
        statements.append(
            Statement(
                "range-questioned",
                f"The arm moved {arm_range:.0f} degrees with the roller still, but the lumbar "
                f"spine has about {LUMBAR_RANGE_DEGREES:.0f} with the pelvis held (common "
                "practice). Does the roller touch the pelvis?",
                start,
            )
        )
    return RestraintCheck(not slips, arm_range, roller_range, tuple(slips), tuple(statements))


def find_slips(signals: Signals, profile: MachineProfile, start: float, end: float) -> list[Slip]:
    """Lasting movements of the roller beyond the profile's bound, in order of time."""
    if signals.roller_degrees is None or profile.roller is None:
        return []
    part = signals.between(start, end)
    step = round(_STEP_SECONDS * GRID_HZ)
    level = _smooth(signals)[part][::step]
    seconds = signals.seconds[part][::step]
    return _ratchet(seconds, level, profile.roller.still_degrees)


def slip_statement(slip: Slip) -> Statement:
    """A slip in words."""
    return Statement(
        "restraint-slipped",
        f"The restraint slipped by {slip.degrees:+.1f} degrees at {slip.seconds:.1f} s.",
        slip.seconds,
    )


def _ratchet(seconds: NDArray[np.float64], level: NDArray[np.float64], bound: float) -> list[Slip]:
    """Follow the level; where it leaves ``bound``, wait until it rests, and start anew there."""
    settle = round(_SETTLE_SECONDS / _STEP_SECONDS)
    found: list[Slip] = []
    known = np.flatnonzero(np.isfinite(level))
    if not len(known):
        return found
    rest = float(np.median(level[known[:settle]]))
    index = int(known[0])
    while index < len(level):
        if np.isfinite(level[index]) and abs(level[index] - rest) > bound:
            onset = index
            while (
                index + settle < len(level)
                and abs(level[index + settle] - level[index]) > 0.2 * bound
            ):
                index += 1
            here = float(np.nanmedian(level[index : index + settle + 1]))
            if abs(here - rest) > bound:
                found.append(Slip(float(seconds[onset]), here - rest))
                rest = here
            index += settle
        index += 1
    return found


def _smooth(signals: Signals) -> NDArray[np.float64]:
    if "roller" not in signals._smooth:
        degrees = signals.roller_degrees
        signals._smooth["roller"] = (
            np.full(len(signals), np.nan)
            if degrees is None
            else low_pass(degrees, _SMOOTH_HZ, GRID_HZ)
        )
    return signals._smooth["roller"]


def roller_change(signals: Signals, start: float, end: float) -> float | None:
    """Change of the roller from half a second before ``start`` to half a second after ``end``."""
    if signals.roller_degrees is None:
        return None
    before = signals.roller_degrees[signals.between(start - _EDGE_SECONDS, start)]
    after = signals.roller_degrees[signals.between(end, end + _EDGE_SECONDS)]
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return None
    return float(np.nanmean(after) - np.nanmean(before))


def _no_roller() -> Statement:
    return Statement(
        "restraint-not-seen",
        "There is no signal of the restraint's roller: that it holds has to be seen by eye.",
    )


def _not_judged(arm_range: float, known: float) -> Statement:
    return Statement(
        "restraint-not-judged",
        f"The restraint could not be judged: the arm moved {arm_range:.0f} degrees and "
        f"{100 * known:.0f} % of the roller's readings are sound. Move gently through most of the "
        "range.",
    )
