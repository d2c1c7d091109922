"""The next load, by a rule that the practice has set; without one, none is suggested."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steelyard.strength.set_summary import SetSummary


@dataclass(frozen=True)
class LoadRule:
    """More after ``repetitions`` or more with at most ``faulty`` faulty ones, by ``plates_up``.

    Less, by ``plates_down``, below ``fewest`` repetitions.
    """

    repetitions: int
    faulty: int = 1
    plates_up: int = 1
    fewest: int = 0
    plates_down: int = 1


@dataclass(frozen=True)
class NextLoad:
    """Mass for the next set and why."""

    mass_kg: float
    reason: str


def next_load(
    rule: LoadRule | None, done: SetSummary, mass_kg: float, plates_kg: Sequence[float]
) -> NextLoad | None:
    """Apply the rule; None without a rule.  ``plates_kg`` rises and holds what can be chosen."""
    if rule is None:
        return None
    faulty = sum(bool(one.findings) for one in done.repetitions)
    facts = f"{done.count} repetitions, {faulty} of them faulty"
    place = min(range(len(plates_kg)), key=lambda index: abs(plates_kg[index] - mass_kg))
    if done.count < rule.fewest:
        step, why = -rule.plates_down, f"fewer than the {rule.fewest} of the rule"
    elif done.count >= rule.repetitions and faulty <= rule.faulty:
        step, why = rule.plates_up, f"the rule asks {rule.repetitions} with at most {rule.faulty}"
    else:
        step, why = 0, f"the rule for more asks {rule.repetitions} with at most {rule.faulty}"
    chosen = plates_kg[min(len(plates_kg) - 1, max(0, place + step))]
    return NextLoad(chosen, f"{facts}: {why}.")
