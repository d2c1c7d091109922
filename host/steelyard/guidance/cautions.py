"""What is read and acknowledged before a maximal effort.

General cautions of the trade (common practice, no source).  Who may be tested
at all is decided by a licensed professional, by local rules; the tool does not
screen anybody.
"""

from __future__ import annotations

from typing import Final

from steelyard.strength.set_summary import StopRules

CAUTIONS: Final = (
    "Screening and the decision on a maximal effort belong to a licensed professional.",
    "No maximal effort with pain now, a recent injury or operation, pregnancy, uncontrolled "
    "blood pressure, or where the professional has ruled it out.",
    "The client has been told what comes, and that they may stop at any moment.",
    "The client breathes on while pushing; no held breath.",
    "The restraint holds, the arm is locked, hands are clear of stack and counterweight.",
)
ALWAYS: Final = (
    "Stop at once on pain, dizziness, numbness, or when the client asks.",
    "Stop when the restraint slips or anything of the machine gives way.",
)


def stop_rules_in_words(rules: StopRules) -> tuple[str, ...]:
    """What the clinician has set, after what always holds."""
    said = list(ALWAYS)
    texts = (
        (rules.repetitions, "Set: stop after {:g} repetitions."),
        (rules.faulty_in_a_row, "Set: stop after {:g} faulty repetitions in a row."),
        (rules.speed_loss_percent, "Set: stop when speed has fallen by {:g} %."),
        (rules.range_loss_percent, "Set: stop when range has fallen by {:g} %."),
        (rules.seconds_under_load, "Set: stop after {:g} s under load."),
    )
    said += [text.format(value) for value, text in texts if value is not None]
    return tuple(said)
