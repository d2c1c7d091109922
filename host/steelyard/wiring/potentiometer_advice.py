"""What the identification of a potentiometer means for the person with the soldering iron."""

from __future__ import annotations

from typing import Final

from steelyard.wiring.ohmmeter import ohms_words
from steelyard.wiring.potentiometer_identification import (
    PotentiometerExplanation,
    PotentiometerFault,
    PotentiometerIdentification,
)

USABLE_OHMS: Final = (1_000.0, 20_000.0)
"""Below, it loads the converter's reference too much; above, the wiper's pull-down of 100 kΩ
bends the scale by more than 3 % of the travel at its worst (voltage divider arithmetic)."""

_NEXT: Final = {
    PotentiometerFault.WIPER_AT_END: "Turn the shaft to about the middle and measure again.",
    PotentiometerFault.WIPER_STUCK: (
        "Was the shaft really turned? Then the wiper is loose on it: replace the potentiometer."
    ),
    PotentiometerFault.WIPER_SHORTED: "Look for a bridge of solder; else replace it.",
    PotentiometerFault.ENDS_SHORTED: "Look for a bridge of solder; else replace it.",
    PotentiometerFault.WIPER_OPEN: "Check the terminal's wire; else replace it.",
    PotentiometerFault.END_OPEN: "Check the terminal's wire; else the track is broken: replace it.",
    PotentiometerFault.DEAD: "Check that the probes touch metal; else replace it.",
}


def potentiometer_advice(found: PotentiometerIdentification) -> tuple[str, ...]:
    """Sentences for a person, the verdict first."""
    if not found.explanations:
        return (
            "This is no potentiometer with at most one fault.",
            "Measure again with it disconnected from everything. Three windings of a motor or a"
            " resolver read like this, too.",
        )
    lines = [] if len(found.explanations) == 1 else ["The readings fit more than one explanation:"]
    for item in found.explanations:
        lines += _lines(item)
    if len(found.explanations) > 1:
        lines.append("Turn the shaft, measure all three again and give all six readings.")
    return tuple(lines)


def _lines(item: PotentiometerExplanation) -> list[str]:
    at = f" ({' and '.join(item.at)})" if item.at else ""
    if item.fault is not PotentiometerFault.NONE:
        return [f"{item.fault.value.capitalize()}{at}.", _NEXT[item.fault]]
    ends = " and ".join(item.ends or ())
    lines = [f"Wiper: {item.wiper}. Ends of the track: {ends}."]
    if item.total_ohms is not None:
        places = ", then ".join(f"{place:.0%}" for place in item.positions)
        lines.append(
            f"Track {ohms_words(item.total_ohms)}; wiper at {places} of the way"
            f" from {(item.ends or ('',))[0]}."
        )
        if not USABLE_OHMS[0] <= item.total_ohms <= USABLE_OHMS[1]:
            lines.append("Use one of 1 to 20 kΩ, best 5 or 10 kΩ, on the box's converter.")
    return lines
