"""What only a person can do: push, so that the sign shows, and move the arm through its range.

Signs: a load rises when the client pushes as in a test; the arm angle rises from the extended
(upright) to the flexed (bent forward) end.  Neither has to be so for measuring, because the
calibrations carry their signs, but a box wired alike everywhere is easier to look after.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final, Protocol

from steelyard.bringup.angle_checks import AngleChannel, check_angle_flags
from steelyard.bringup.finding import Finding, Measured, Severity
from steelyard.bringup.load_channel import LoadChannel

PUSH_SECONDS: Final = 6.0
MOVE_SECONDS: Final = 10.0
LEAST_RESPONSE_COUNTS: Final = 8_000
"""About 0.1 % of the converter's range: 4 N on a cell of 2000 N, 20 N on one of 10 kN."""
RESPONSE_TIMES_NOISE: Final = 50.0
LEAST_RANGE_DEGREES: Final = 20.0


class RequestKind(Enum):
    """What the person is asked for."""

    REST = "rest"
    PUSH = "push"
    MOVE = "move"


@dataclass(frozen=True)
class Request:
    """One thing to ask: for how many seconds, and in which words."""

    kind: RequestKind
    channel: int | None
    seconds: float
    words: str


class Operator(Protocol):
    """Somebody at the machine."""

    def ready(self, request: Request) -> bool:
        """Show the request and wait until it can begin.  False: leave this step out."""


def rest_request(seconds: float) -> Request:
    """Ask for a machine at rest."""
    return Request(
        RequestKind.REST,
        None,
        seconds,
        "Nobody in the seat, nothing hanging, arm locked, hands off. Clear the stack: pin out.",
    )


def push_request(channel: int, is_restraint: bool) -> Request:
    """Ask for a push on one cell."""
    where = "against the restraint" if is_restraint else "on the locked arm, as a client would,"
    return Request(
        RequestKind.PUSH,
        channel,
        PUSH_SECONDS,
        f"Push {where} with about 50 N (5 kg) and let go again, twice. Fingers away from the"
        " stack and from the end stops.",
    )


def move_request(channel: int, is_arm: bool) -> Request:
    """Ask for one sweep through the range."""
    what = (
        "Stack pin out, nobody in the seat. Unlock the arm; move it by hand, slowly, from the"
        " extended (upright) end to the flexed (bent forward) end and hold it there."
        if is_arm
        else "Turn or slide the restraint rollers slowly from one end to the other."
    )
    return Request(RequestKind.MOVE, channel, MOVE_SECONDS, what)


def check_push(
    channel: LoadChannel, rest_mean: float, rest_noise: float
) -> tuple[list[Finding], list[Measured]]:
    """Judge a push: does the reading answer, and in which direction?

    ``channel`` holds what was seen during the push; mean and noise are those at rest.
    """
    values = sorted(counts - rest_mean for _, counts in channel.seen.sound())
    trimmed = values[1:-1] if len(values) > 4 else values  # one torn read is no push
    response = max(trimmed, key=abs, default=0.0)
    measured = [
        Measured(channel.description.channel, channel.subject, "push", response, "counts", "rises")
    ]
    least = max(LEAST_RESPONSE_COUNTS, RESPONSE_TIMES_NOISE * rest_noise)
    if abs(response) < least:
        return [
            channel.finding(
                "no_response",
                Severity.FAULT,
                f"the push moved the reading by {channel.in_newtons(response)}",
                f"at least {least:.0f} counts",
                "An excitation wire is broken, this is the other cell, or the force does not pass"
                " through the cell (arm not locked, a stop or a bolt bridges it).",
                "Push again, harder. Measure 2.6 V or more between E+ and E- at the cell; then"
                " steelyard bridge.",
            )
        ], measured
    if response < 0:
        return [
            channel.finding(
                "polarity_reversed",
                Severity.WARNING,
                f"the push moved the reading by {channel.in_newtons(response)}, downwards",
                "upwards",
                "The two signal wires are exchanged, or the cell is mounted the other way round.",
                "Swap A+ and A- at the amplifier, then calibrate. (A calibration made as it is"
                " carries the sign and is right as well, as long as nothing is swapped later.)",
            )
        ], measured
    return [], measured


def check_move(channel: AngleChannel) -> tuple[list[Finding], list[Measured]]:
    """Judge a sweep: does the angle follow, how far, and in which direction?"""
    number, subject = channel.description.channel, channel.subject
    place, places = 0.0, [0.0]
    for _, step in channel.steps():
        place += step
        places.append(place)
    span = max(places) - min(places)
    measured = [Measured(number, subject, "range", span, "°", f"at least {LEAST_RANGE_DEGREES:g}")]
    found = check_angle_flags(channel)
    if span < LEAST_RANGE_DEGREES:
        found.append(
            channel.finding(
                "no_movement",
                Severity.FAULT,
                f"{span:z.1f}° during the sweep",
                f"at least {LEAST_RANGE_DEGREES:g}°",
                "Magnet or wiper does not turn with the shaft, or another shaft was moved.",
                "Look at the sensor while somebody moves the arm; tighten the coupling.",
            )
        )
    elif places.index(max(places)) < places.index(min(places)):
        found.append(
            channel.finding(
                "direction_reversed",
                Severity.NOTE,
                f"the angle fell by {span:z.0f}° during the sweep",
                "that it rises",
                "The sensor sits on the other side of the shaft, or the sweep began at the other"
                " end.",
                "Nothing has to be done: the angle calibration carries the direction. For boxes"
                " all alike, move the AS5600's DIR from GND to 3V3 before calibrating.",
            )
        )
    return found, measured
