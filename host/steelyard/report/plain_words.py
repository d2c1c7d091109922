"""Statements and faults of form for the client: without terms of the trade."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from steelyard.strength.form_faults import Fault
from steelyard.strength.measured import Statement
from steelyard.strength.session_analysis import SessionAnalysis

FORM_WORDS: Final = {
    Fault.RUSHED: "Faster than asked. Slower is harder, and worth it",
    Fault.THROWN: "Begun with a jerk. Start gently and build up",
    Fault.SHORT: "Not through your whole range",
    Fault.STACK_TOUCHED: "The plates were set down in between",
    Fault.STACK_BOUNCED: "The plates were dropped. Keep control to the end",
    Fault.UNEVEN: "Not at an even speed",
    Fault.SLIPPED: "Your hips or shoulders moved in the seat. We will fasten you better",
}

NO_FIGURES: Final = {
    "no-calibration": "The machine's scale was not set up for this session, so your strength "
    "cannot be told in figures. The recording is kept, and can be worked out later.",
    "wrong-box": "The measuring box on the machine is not the one that belongs there, so no figure "
    "can be trusted today. We will put that right.",
    "wrong-machine": "The settings at hand belong to another machine, so no figure can be trusted "
    "today. We will put that right.",
    "no-profile": "The settings of this machine are missing, so nothing can be worked out yet.",
}

SESSION_WORDS: Final = {
    "angle-dead": "The sensor for your position did not work, so nothing can be said about your "
    "strength today.",
    "restart": "The measuring box started anew during the session. Nothing is measured across that "
    "moment.",
    "saturated": "The force sensor gave no sound reading for part of the session. Nothing is shown "
    "for that time.",
    "effort-not-seen": "The force sensor gave no reading where you may have pushed, so no strength "
    "can be shown.",
    "no-effort": "The machine stood still and nobody pushed: there is no strength to show.",
    "no-station": "No strength test is in this recording.",
    "no-balance": "The weight of your body could not be balanced out this time.",
    "not-relaxed": "You were not quite relaxed when your body's weight was balanced out.",
    "recording-damaged": "Part of the recording is damaged. What it touches is left out.",
    "calibration-overdue": "The machine is due for its yearly check; the ± allows for that.",
    "calibration-later": "The machine's scale was set up after this session; the ± allows for the "
    "time between.",
}

GRAVE: Final = frozenset({"angle-dead", "restart", "no-effort", "effort-not-seen"})


def why_no_figures(statements: Iterable[Statement]) -> str:
    """Why there is none, in plain words; the statement itself where there are no plainer ones."""
    for one in statements:
        if one.spoils:
            return NO_FIGURES.get(one.code, f"Nothing could be worked out: {one.text}")
    return "Nothing could be worked out from this recording."


def worth_saying(found: SessionAnalysis) -> Iterator[tuple[str, bool]]:
    """What the client should know of the session as a whole, and whether it is grave."""
    said: set[str] = set()
    if any(not each.measures.whole for one in found.sets for each in one.repetitions):
        yield (
            "Some moments of your repetitions were not recorded. What they touch is left out.",
            False,
        )
    for one in found.statements:
        words = SESSION_WORDS.get(one.code)
        if words is not None and one.code not in said:
            said.add(one.code)
            yield words, one.code in GRAVE
