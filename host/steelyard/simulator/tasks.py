"""What happens at the machine: a script of segments, each with a label.

A task is an endless or finite stream of segments; after the last one the
machine rests.  The labels are the truth about what was being done, for tests
and plots.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import Enum
from typing import Final, Protocol

from .client_model import ClientTruth, Manner
from .machine_model import MachineTruth


class Orders(Protocol):
    """What a client who does as told was told."""

    at_bench: bool
    """Whether weights hang on the cell, and nobody is in the seat."""

    def next_segments(self, script: Script) -> Iterator[Segment]:
        """The segments of the next order; none when nothing is asked."""


class Kind(Enum):
    """How the arm is moved in a segment."""

    HOLD = "hold"  # locked, client relaxed
    EFFORT = "effort"  # locked, client pushes: rise, hold, relax
    SWEEP = "sweep"  # moved from the link side at constant speed, client relaxed
    MOVE = "move"  # moved from the link side, smoothly
    FREE = "free"  # the client moves it against the stack
    BENCH = "bench"  # nobody in the seat: the technician's weights, or the arm set by hand


RISE_SECONDS: Final = 1.5
RELAX_SECONDS: Final = 1.0
DIP_SECONDS: Final = 0.4
RIPPLES: Final = 3


@dataclass(frozen=True)
class Segment:
    """One stretch of the script.

    ``to_degrees`` is where the arm goes (SWEEP, MOVE, FREE, BENCH); None: it stays.
    ``effort`` is the share of full strength meant (EFFORT), with its rise, its
    dip the other way before, and the share of the time it is held;
    ``slip_degrees`` the turn of the restraint's roller during the segment; ``hang_kg`` a
    mass to hang at its start (BENCH).  ``early`` below 1 begins a way too fast,
    ``late`` below 1 ends it too fast; ``ripple`` lets speed swell and fade.
    """

    kind: Kind
    seconds: float
    label: str
    to_degrees: float | None = None
    effort: float = 0.0
    slip_degrees: float = 0.0
    hang_kg: float | None = None
    rise_seconds: float = RISE_SECONDS
    dip: float = 0.0
    held: float = 1.0
    early: float = 1.0
    late: float = 1.0
    ripple: float = 0.0

    def course(self, share: float) -> float:
        """Share of the way that is done after a share of the time, both 0 to 1."""
        if self.kind is Kind.SWEEP:
            return share
        if self.early != 1.0:
            share = max(0.0, share) ** self.early
        if self.late != 1.0:
            share = 1.0 - (1.0 - share) ** self.late
        if self.ripple:
            turn = 2.0 * math.pi * RIPPLES
            share = share - self.ripple * math.sin(turn * share) / turn
        # Minimum-jerk course between two rests (Flash and Hogan 1985).
        return share**3 * (10.0 - 15.0 * share + 6.0 * share * share)

    def effort_at(self, inside: float) -> float:
        """Share of full strength meant so long into the segment: smooth rise, hold, smooth end."""
        if self.kind is not Kind.EFFORT:
            return 0.0
        end = self.seconds * self.held
        if self.dip:
            if inside < DIP_SECONDS:
                return -self.dip * math.sin(math.pi * inside / DIP_SECONDS)
            inside, end = inside - DIP_SECONDS, end - DIP_SECONDS
        rise = min(1.0, inside / self.rise_seconds, (end - inside) / RELAX_SECONDS)
        rise = max(0.0, rise)
        return self.effort * rise * rise * (3.0 - 2.0 * rise)


@dataclass(frozen=True)
class Script:
    """What a task writes its segments from.

    ``orders`` is what the client of task ``guided`` was told to do.
    ``masses_kg`` or ``angles_degrees``, and ``dwell_seconds``, are the technician's schedule;
    ``source`` draws what differs from one repetition to the next.
    """

    machine: MachineTruth
    client: ClientTruth
    source: random.Random
    masses_kg: tuple[float, ...] = ()
    angles_degrees: tuple[float, ...] = ()
    dwell_seconds: float = 12.0
    orders: Orders | None = None

    @property
    def ends_degrees(self) -> tuple[float, float]:
        """Extended and flexed end of the client's range on this machine."""
        low, high = self.client.range_degrees
        travel_low, travel_high = self.machine.travel_degrees
        return max(low, travel_low + 2.0), min(high, travel_high - 2.0)


IDLE_SECONDS: Final = 0.1
SETTING_SECONDS: Final = 2.0
"""What it takes to bring the arm from one scheduled angle to the next."""
REPETITIONS: Final = 8
EFFORT_SECONDS: Final = 6.0


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


def angles(script: Script) -> Iterator[Segment]:
    """Set the empty arm to the scheduled angles, and let it stand at each for the dwell time."""
    for degrees in script.angles_degrees:
        yield Segment(Kind.BENCH, SETTING_SECONDS, f"to {degrees:g}", degrees)
        yield Segment(Kind.BENCH, script.dwell_seconds, f"at {degrees:g}")
    while True:
        yield Segment(Kind.BENCH, 60.0, "bench")


def roller(script: Script) -> Iterator[Segment]:
    """Turn the restraint's roller by hand to the scheduled angles of its potentiometer's track."""
    at = script.machine.roller_degrees_at_rest
    yield Segment(Kind.BENCH, IDLE_SECONDS, "bench")
    for degrees in script.angles_degrees:
        yield Segment(
            Kind.BENCH, SETTING_SECONDS, f"roller to {degrees:g}", slip_degrees=degrees - at
        )
        yield Segment(Kind.BENCH, script.dwell_seconds, f"roller at {degrees:g}")
        at = degrees
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


def balancing(script: Script) -> Iterator[Segment]:
    """Lead the relaxed client through the range, over and over, as for balancing."""
    yield Segment(Kind.HOLD, 3.0, "settle in")
    while True:
        yield from _relaxed_sweep(script)


def sets(script: Script) -> Iterator[Segment]:
    """Do set after set with rests, without the tests before."""
    yield Segment(Kind.HOLD, 3.0, "settle in")
    while True:
        yield from _set_of_repetitions(script)
        yield from _rest_between_sets(script)


def response(script: Script) -> Iterator[Segment]:
    """Test strength, do a set, and test again at once: what the set took out of the client."""
    yield Segment(Kind.HOLD, 3.0, "settle in")
    yield from _relaxed_sweep(script)
    while True:
        yield from _isometric_test(script)
        yield from _set_of_repetitions(script)
        yield Segment(Kind.FREE, 2.0, "set done")


def guided(script: Script) -> Iterator[Segment]:
    """Do what the client is told at run time (``virtual_client``), and nothing between."""
    while True:
        told, waiting = False, Kind.HOLD
        if script.orders is not None:
            for segment in script.orders.next_segments(script):
                told = True
                yield segment
            waiting = Kind.BENCH if script.orders.at_bench else Kind.HOLD
        if not told:
            yield Segment(waiting, IDLE_SECONDS, "waiting for an order")


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
    manner = script.client.manner
    for station in script.machine.stations_degrees:
        place = min(flexed, max(extended, station))
        yield Segment(Kind.MOVE, 4.0, f"to station {place:g}", place)
        for effort in range(2):
            yield Segment(Kind.HOLD, 4.0, f"relaxed at {place:g}")
            share = min(1.0, script.source.gauss(0.96, manner.effort_spread))
            yield Segment(
                Kind.EFFORT,
                EFFORT_SECONDS,
                f"effort {effort + 1} at {place:g}",
                effort=share,
                rise_seconds=manner.effort_rise_seconds,
                dip=manner.effort_dip,
                held=manner.effort_held,
            )
            yield Segment(Kind.HOLD, 10.0, f"rest at {place:g}")


def _set_of_repetitions(script: Script) -> Iterator[Segment]:
    flexed = script.ends_degrees[1]
    manner = script.client.manner
    yield Segment(Kind.MOVE, 4.0, "to start", flexed)
    yield Segment(Kind.FREE, 2.0, "ready", flexed)
    for repetition in range(1, REPETITIONS + 1):
        if manner.stops_after and repetition > manner.stops_after:
            yield Segment(Kind.FREE, 6.0, "stopped", flexed)
            return
        slip = manner.slip_degrees if repetition >= 3 else 0.0
        yield from one_repetition(script, manner, repetition, slip)


def one_repetition(
    script: Script, manner: Manner, repetition: int, slip_degrees: float
) -> Iterator[Segment]:
    """Do one repetition in a manner."""
    extended, flexed = script.ends_degrees
    top = flexed + (extended - flexed) * manner.range_fraction
    low = flexed - manner.clearance_degrees
    pace = script.source.gauss(1.0, 0.04)
    reach = top + script.source.gauss(0.0, 0.6)
    if manner.partial_every and repetition % manner.partial_every == 0:
        reach = flexed + (reach - flexed) * manner.partial_fraction
    up = Segment(
        Kind.FREE,
        pace * manner.concentric_seconds,
        f"repetition {repetition}, concentric",
        reach,
        slip_degrees=slip_degrees,
        early=manner.throw,
        ripple=manner.ripple,
    )
    yield from _stopping_half_way(up, low, manner.mid_pause_seconds)
    yield Segment(Kind.FREE, manner.hold_seconds, f"repetition {repetition}, turn", reach)
    yield Segment(
        Kind.FREE,
        pace * manner.eccentric_seconds,
        f"repetition {repetition}, eccentric",
        low,
        late=manner.drop,
        ripple=manner.ripple,
    )
    yield Segment(Kind.FREE, manner.pause_seconds, f"repetition {repetition}, pause", low)


def _stopping_half_way(up: Segment, low: float, pause_seconds: float) -> Iterator[Segment]:
    """The way up in one go, or in two with a stop between."""
    if not pause_seconds or up.to_degrees is None:
        yield up
        return
    middle = 0.5 * (low + up.to_degrees)
    half = replace(up, seconds=0.5 * up.seconds, slip_degrees=0.5 * up.slip_degrees)
    yield replace(half, to_degrees=middle)
    yield Segment(Kind.FREE, pause_seconds, up.label.replace("concentric", "stop"), middle)
    yield half


def _rest_between_sets(script: Script) -> Iterator[Segment]:
    del script
    yield Segment(Kind.FREE, 2.0, "set done")
    yield Segment(Kind.HOLD, 45.0, "rest between sets")


TASKS: Final[dict[str, Callable[[Script], Iterator[Segment]]]] = {
    "angles": angles,
    "balancing": balancing,
    "guided": guided,
    "response": response,
    "rest": rest,
    "roller": roller,
    "session": session,
    "sets": sets,
    "weights": weights,
}
