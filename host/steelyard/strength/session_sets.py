"""The sets of a session: each found, measured, and with the balance that held when it was done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from steelyard.strength.balance import BalanceFit
from steelyard.strength.crank_course import cranked, turned_between
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.repetitions import Repetition, find_repetitions, into_sets
from steelyard.strength.session_facts import SessionFacts
from steelyard.strength.set_summary import SetSummary, summarise_set
from steelyard.strength.signals import Signals
from steelyard.strength.stated_settings import plates_pulled


@dataclass(frozen=True)
class Crank:
    """Where the crank stood at the balance, to say what it did to the balance of a later set.

    ``swept_seconds``: when the last sweep of the balance ended.
    """

    facts: SessionFacts
    turns: float | None
    swept_seconds: float

    def balance_at(
        self,
        balance: BalanceFit | None,
        seconds: float,
        profile: MachineProfile,
        said: list[Statement],
    ) -> BalanceFit | None:
        """The balance as it was at a moment, worked out where the crank was turned since.

        None where it was turned by nobody knows how much.
        """
        turned = turned_between(self.facts.crank_course, self.swept_seconds, seconds)
        if balance is None or not turned:
            return balance
        now = self.facts.turns_at(seconds)
        if now is None or self.turns is None:
            text = (
                "The crank was turned after the balance, and its settings before and after are not "
                f"both written down: the muscles' work in the set at {seconds:.0f} s is not given."
            )
            said.append(Statement("crank-not-read", text, seconds, spoils=True))
        elif now != self.turns:
            text = (
                f"The crank was turned by {now - self.turns:+g} turns after the balance: for the "
                f"set at {seconds:.0f} s the balance is worked out from that, not measured."
            )
            said.append(Statement("crank-turned", text, seconds))
        return cranked(balance, self.turns, now, profile.counterweight)


def load_nm(profile: MachineProfile, facts: SessionFacts) -> float:
    """Torque of the plates chosen, or else of the lightest."""
    return profile.stack.torque(facts.stack_kg or profile.stack.plates_kg[0])


def sets_of_session(
    signals: Signals,
    profile: MachineProfile,
    facts: SessionFacts,
    client_range: tuple[float, float] | None,
    balance: BalanceFit | None,
    after: float,
    said: list[Statement],
    crank: Crank,
) -> list[tuple[SetSummary, float, float]]:
    """Each set with the times of its first start and its last end."""
    low, high = client_range or profile.travel_degrees
    found = find_repetitions(signals, high - low, load_nm(profile, facts), after)
    if not found:
        said.append(_nothing_lifted(signals, profile, facts, high - low, after))
        return []
    doubt = plates_pulled(signals, profile, facts.stack_kg, found)
    said += [] if doubt is None else [doubt]
    reach = high - low
    if client_range is None:
        reach = max(
            0.5 * (one.start_degrees + one.bottom_degrees) - one.top_degrees for one in found
        )
        text = f"No range of the client is known; the largest repetition, {reach:z.0f}°, stands in."
        said.append(Statement("range-assumed", text))
    return [
        (
            summarise_set(
                signals,
                group,
                profile,
                facts.prescription,
                reach,
                crank.balance_at(balance, float(signals.seconds[group[0].start]), profile, said),
                facts.stop_rules,
            ),
            *_times(signals, group),
        )
        for group in into_sets(signals, found)
    ]


def _nothing_lifted(
    signals: Signals,
    profile: MachineProfile,
    facts: SessionFacts,
    range_degrees: float,
    after: float,
) -> Statement:
    """No repetition with the plates stated; but were there any with others?"""
    lightest = profile.stack.torque(profile.stack.plates_kg[0])
    others = find_repetitions(signals, range_degrees, lightest, after)
    doubt = plates_pulled(signals, profile, facts.stack_kg, others)
    if doubt is not None:
        text = f"No repetition is measured, though {len(others)} may be there. {doubt.text}"
        return replace(doubt, text=text)
    text = "No repetition under load is in this recording: no work, tempo or form is given."
    return Statement("no-repetition", text)


def _times(signals: Signals, group: Sequence[Repetition]) -> tuple[float, float]:
    return float(signals.seconds[group[0].start]), float(signals.seconds[group[-1].bottom])
