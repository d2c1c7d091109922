"""What the signals of a session do not show: what the operator states."""

from __future__ import annotations

from dataclasses import dataclass, field

from steelyard.strength.crank_course import CrankSetting, turns_at
from steelyard.strength.effort import EffortLimits
from steelyard.strength.form_faults import Prescription
from steelyard.strength.set_summary import StopRules


@dataclass(frozen=True)
class SessionFacts:
    """What the signals do not show: settings of the machine, the client's size, what was asked.

    ``crank_turns`` is where the crank stood; ``stack_kg`` the plates chosen;
    ``client_range`` the extended and the flexed end in degrees, taken from the
    sweep where it is None.  ``crank_course`` where the crank stood when, for a
    session in which it was turned; it goes before ``crank_turns``.
    """

    crank_turns: float | None = None
    stack_kg: float | None = None
    body_mass_kg: float | None = None
    stature_metres: float | None = None
    client_range: tuple[float, float] | None = None
    prescription: Prescription = field(default_factory=Prescription)
    stop_rules: StopRules = field(default_factory=StopRules)
    effort_limits: EffortLimits = field(default_factory=EffortLimits)
    crank_course: tuple[CrankSetting, ...] = ()

    def turns_at(self, seconds: float) -> float | None:
        """Where the crank stood at a moment; None where that is not known."""
        return turns_at(self.crank_course, seconds) if self.crank_course else self.crank_turns
