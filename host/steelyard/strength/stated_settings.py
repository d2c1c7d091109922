"""What the operator stated of the machine, held against the machine and the signals.

A crank or a stack entered wrongly (pounds for kilograms, a slip of the finger)
must not pass into a figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.repetitions import Repetition
from steelyard.strength.signals import Signals

LIKE_STATED: Final = (0.75, 1.35)
"""Mean torque of a set over that of the plates stated: friction, inertia of a rushed start and
rounding to the next plate stay within (common practice, no source)."""


def crank_is_there(profile: MachineProfile, turns: float) -> Statement | None:
    """None when this machine's crank can stand so; else what to say."""
    limit = profile.counterweight.turns_limit
    if 0.0 <= turns <= limit:
        return None
    text = (
        f"The crank is said to stand at {turns:g} turns; this machine's goes from 0 to {limit:g}. "
        "The client's weight is not given, nor where the crank ends."
    )
    return Statement("crank-impossible", text, spoils=True)


def plates_pulled(
    signals: Signals, profile: MachineProfile, stated_kg: float | None, found: Sequence[Repetition]
) -> Statement | None:
    """None when the stack pulled about as the plates stated would; else what to say."""
    if stated_kg is None or not found:
        return None
    medians = [float(np.nanmedian(signals.torque[one.concentric])) for one in found]
    pulled_kg = float(np.median(medians)) / profile.stack.torque(1.0)
    low, high = LIKE_STATED
    if low * stated_kg <= pulled_kg <= high * stated_kg:
        return None
    text = (
        f"The stack pulled like about {pulled_kg:.0f} kg, but {stated_kg:g} kg are stated. Are the "
        "plates right, and in kilograms? No next load follows from this set."
    )
    return Statement("plates-doubtful", text, spoils=True)
