"""What happens at the machine: a script of segments, each with a label.

A task is an endless or finite stream of segments; after the last one the
machine rests.  The labels are the truth about what was being done, for tests
and plots.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Final

from .client_model import ClientTruth
from .machine_model import MachineTruth


class Kind(Enum):
    """How the arm is moved in a segment."""

    HOLD = "hold"  # locked, client relaxed
    EFFORT = "effort"  # locked, client pushes: rise, hold, relax
    SWEEP = "sweep"  # moved from the link side at constant speed, client relaxed
    MOVE = "move"  # moved from the link side, smoothly
    FREE = "free"  # the client moves it against the stack
    BENCH = "bench"  # nobody in the seat: the technician's weights


@dataclass(frozen=True)
class Segment:
    """One stretch of the script.

    ``to_degrees`` is where the arm goes (SWEEP, MOVE, FREE); None: it stays.
    ``effort`` is the share of full strength meant (EFFORT); ``slip_degrees``
    the slide in the restraint during the segment; ``hang_kg`` a mass to hang at
    its start (BENCH).
    """

    kind: Kind
    seconds: float
    label: str
    to_degrees: float | None = None
    effort: float = 0.0
    slip_degrees: float = 0.0
    hang_kg: float | None = None


@dataclass(frozen=True)
class Script:
    """What a task writes its segments from.

    ``masses_kg`` and ``dwell_seconds`` are the technician's schedule;
    ``source`` draws what differs from one repetition to the next.
    """

    machine: MachineTruth
    client: ClientTruth
    source: random.Random
    masses_kg: tuple[float, ...] = ()
    dwell_seconds: float = 12.0

    @property
    def ends_degrees(self) -> tuple[float, float]:
        """Extended and flexed end of the client's range on this machine."""
        low, high = self.client.range_degrees
        travel_low, travel_high = self.machine.travel_degrees
        return max(low, travel_low + 2.0), min(high, travel_high - 2.0)


REPETITIONS: Final = 8
EFFORT_SECONDS: Final = 6.0
RISE_SECONDS: Final = 1.5
RELAX_SECONDS: Final = 1.0


def rest(script: Script) -> Iterator[Segment]:
    """Client seated, arm locked, nothing done."""
    del script
    while True:
        yield Segment(Kind.HOLD, 60.0, "rest")


def weights(script: Script) -> Iterator[Segment]:
    """Hang the scheduled masses one after the other, each for the dwell time."""
    for mass_kg in script.masses_kg:
        yield Segment(Kind.BENCH, script.dwell_seconds, f"{mass_kg:g} kg", hang_kg=mass_kg)
    while True:
        yield Segment(Kind.BENCH, 60.0, "bench")


def session(script: Script) -> Iterator[Segment]:
    """Do a whole visit: relaxed sweep, isometric stations, sets with rests, for ever on."""
    yield Segment(Kind.HOLD, 6.0, "settle in")
    yield from _relaxed_sweep(script)
    yield from _isometric_test(script)
    while True:
        yield from _set_of_repetitions(script)
        yield from _rest_between_sets(script)


def _relaxed_sweep(script: Script) -> Iterator[Segment]:
    extended, flexed = script.ends_degrees
    seconds = (flexed - extended) / 5.0  # 5 degrees a second
    yield Segment(Kind.MOVE, 4.0, "to flexed end", flexed)
    for _ in range(2):
        yield Segment(Kind.HOLD, 1.0, "relaxed")
        yield Segment(Kind.SWEEP, seconds, "relaxed sweep, extending", extended)
        yield Segment(Kind.HOLD, 1.0, "relaxed")
        yield Segment(Kind.SWEEP, seconds, "relaxed sweep, flexing", flexed)


def _isometric_test(script: Script) -> Iterator[Segment]:
    extended, flexed = script.ends_degrees
    for station in script.machine.stations_degrees:
        place = min(flexed, max(extended, station))
        yield Segment(Kind.MOVE, 4.0, f"to station {place:g}", place)
        for effort in range(2):
            yield Segment(Kind.HOLD, 4.0, f"relaxed at {place:g}")
            share = min(1.0, script.source.gauss(0.96, 0.015))
            yield Segment(
                Kind.EFFORT, EFFORT_SECONDS, f"effort {effort + 1} at {place:g}", effort=share
            )
            yield Segment(Kind.HOLD, 10.0, f"rest at {place:g}")


def _set_of_repetitions(script: Script) -> Iterator[Segment]:
    extended, flexed = script.ends_degrees
    manner = script.client.manner
    top = flexed + (extended - flexed) * manner.range_fraction
    yield Segment(Kind.MOVE, 4.0, "to start", flexed)
    yield Segment(Kind.FREE, 2.0, "ready", flexed)
    for repetition in range(1, REPETITIONS + 1):
        if manner.stops_after and repetition > manner.stops_after:
            yield Segment(Kind.FREE, 6.0, "stopped", flexed)
            return
        pace = script.source.gauss(1.0, 0.04)
        reach = top + script.source.gauss(0.0, 0.6)
        slip = manner.slip_degrees if repetition >= 3 else 0.0
        yield Segment(
            Kind.FREE,
            pace * manner.concentric_seconds,
            f"repetition {repetition}, concentric",
            reach,
            slip_degrees=slip,
        )
        yield Segment(Kind.FREE, manner.hold_seconds, f"repetition {repetition}, turn", reach)
        yield Segment(
            Kind.FREE,
            pace * manner.eccentric_seconds,
            f"repetition {repetition}, eccentric",
            flexed,
        )
        yield Segment(Kind.FREE, manner.pause_seconds, f"repetition {repetition}, pause", flexed)


def _rest_between_sets(script: Script) -> Iterator[Segment]:
    del script
    yield Segment(Kind.FREE, 2.0, "set done")
    yield Segment(Kind.HOLD, 45.0, "rest between sets")


TASKS: Final[dict[str, Callable[[Script], Iterator[Segment]]]] = {
    "rest": rest,
    "session": session,
    "weights": weights,
}
