"""What the identification of a bridge means for the person with the soldering iron."""

from __future__ import annotations

from steelyard.wiring.bridge_identification import (
    BridgeExplanation,
    BridgeFault,
    BridgeIdentification,
)
from steelyard.wiring.ohmmeter import ohms_words

NOTHING_FITS = (
    "This is no bridge with at most one fault.",
    "Measure again with the cell disconnected from everything; touch one probe only. With a"
    " cable of six wires, two read about 0 Ω to two others: those are sense wires, join them"
    " to their partners and measure the four that remain. A shield belongs to none of them.",
)

POLARITY = (
    "Which signal wire is plus, resistances cannot say: wire it either way, push as a client"
    " would, and swap the two signal wires if the reading falls (steelyard checkup asks for"
    " this push)."
)


def bridge_advice(found: BridgeIdentification) -> tuple[str, ...]:
    """Sentences for a person, the verdict first."""
    if not found.explanations:
        return NOTHING_FITS
    lines = [_verdict(item) for item in found.explanations]
    if not found.is_certain:
        lines.insert(0, "The readings fit more than one explanation:")
    for item in found.explanations[:1]:
        lines += [*_wires(item), *_resistance(item), *_next_step(item)]
    return tuple(lines)


def _verdict(item: BridgeExplanation) -> str:
    between = " and ".join(item.at)
    return {
        BridgeFault.NONE: "A sound full bridge.",
        BridgeFault.HALF: f"A half bridge on three wires; {between} leads nowhere.",
        BridgeFault.ARM_OPEN: f"A full bridge with a broken arm between {between}.",
        BridgeFault.ARM_SHORTED: f"A full bridge with a shorted arm between {between}.",
        BridgeFault.WIRE_CUT: f"A full bridge whose wire {between} is cut, in cable or plug.",
        BridgeFault.WIRES_SHORTED: f"Wires {between} of a full bridge touch, in cable or plug.",
    }[item.fault]


def _wires(item: BridgeExplanation) -> list[str]:
    if item.excitation is not None and item.fault is BridgeFault.HALF:
        ends, others = item.excitation, item.signal or ("", "")
        middle = next(wire for wire in others if wire not in item.at)
        return [f"Excitation: {' and '.join(ends)}. Signal: {middle}."]
    if item.excitation is not None and item.signal is not None:
        excitation, signal = (" and ".join(pair) for pair in (item.excitation, item.signal))
        return [
            f"Excitation (E+, E-): {excitation}. Signal (A+, A-): {signal}. The excitation"
            f" side reads {ohms_words(2 * item.series_ohms)} more: compensation resistors."
        ]
    if item.diagonals is not None:
        one, two = (" and ".join(pair) for pair in item.diagonals)
        return [
            f"Opposite corners: {one}; {two}. Both read alike, so which is excitation is not"
            " known: such a bridge works either way. Look for a label or a marking on the"
            " old circuit board (E or V for excitation, S for signal); else take either."
        ]
    return ["Which wires are opposite corners, these readings cannot say."]


def _resistance(item: BridgeExplanation) -> list[str]:
    arm = ohms_words(item.arm_ohms)
    if item.nominal_ohms is None:
        return [f"One arm has {arm}, which is not a usual value (120, 350, 700, 1000 Ω)."]
    return [f"One arm has {arm}: a {item.nominal_ohms:g} Ω bridge."]


def _next_step(item: BridgeExplanation) -> list[str]:
    if item.fault is BridgeFault.NONE:
        return [POLARITY]
    if item.fault is BridgeFault.HALF:
        return [
            "The amplifier needs a full bridge: add two equal resistors, 1 kΩ, 0.1 %, 25 ppm/K"
            " or better, in series across the excitation; their joint is the other signal wire.",
            POLARITY,
        ]
    if item.fault in (BridgeFault.WIRE_CUT, BridgeFault.WIRES_SHORTED):
        return [
            "Cut the cable back to sound copper near the cell and measure again there. If the"
            " readings stay as they are, the cell itself is damaged: replace it."
        ]
    return ["The cell itself is damaged and was perhaps overloaded: replace it."]
