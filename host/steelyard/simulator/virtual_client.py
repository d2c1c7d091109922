"""A client who does what is said, while the virtual machine runs (task ``guided``).

In the same process: ``port.world.virtual_client.do("push 0.9")``.  From another:
``sim:heron?task=guided&script=FILE``; lines appended to the file are orders.

======================  ==================================================================
``move ANGLE``          the operator leads the arm there and locks it (4 s)
``sweep``               led relaxed: to the flexed end, to the extended end and back
``gentle``              moves gently through most of the range, for the restraint check
``relax [SECONDS]``     does nothing
``push [SHARE [S]]``    pushes against the lock with a share of full strength for S seconds
``set N [I=MANNER]...`` N repetitions against the stack; the I-th in another manner
``crank TURNS``         the operator turns the crank by so many turns (negative: takes off)
``stack KG``            the operator chooses plates
``hang KG [M [DEG]]``   the client leaves the seat and the technician hangs KG in all from the
                        cell, or from the arm M metres from its axis and DEG from level; any
                        other order takes the weights off and seats the client again
``behave MANNER``       from now on moves and pushes in this manner (options: ``client=``)
``stop``                stops at once, whatever is going on; what was ordered is forgotten
======================  ==================================================================

An order that means nothing is kept in ``refused`` and does nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from io import SEEK_END
from pathlib import Path
from typing import TYPE_CHECKING, Final

from ..errors import SimulatorOptionError
from .client_model import MANNERS, Manner
from .tasks import EFFORT_SECONDS, REPETITIONS, Kind, Script, Segment, one_repetition

if TYPE_CHECKING:
    from .world import World

SWEEP_DEGREES_PER_SECOND: Final = 5.0
GENTLE_DEGREES_PER_SECOND: Final = 12.0
MOVE_SECONDS: Final = 4.0
CRANK_SECONDS: Final = 2.0
HANG_SECONDS: Final = 0.5
_SHARE_RANGE: Final = (0.0, 1.2)


class VirtualClient:
    """Orders waiting to be done.  ``done_total`` counts those begun."""

    def __init__(self, world: World, file: Path | None = None) -> None:
        self.refused: list[str] = []
        self.done_total = 0
        self.at_bench = False
        """Whether the technician's weights, and nobody in the seat, are what the cell feels."""
        self._world = world
        self._file = file
        self._read_bytes = 0
        self._half_line = b""
        self._waiting: deque[str] = deque()
        self._stopping = False

    def do(self, *orders: str) -> None:
        """Add orders.  Raises SimulatorOptionError for one that means nothing."""
        for order in orders:
            self._check(order)
            self._take(order)

    @property
    def idle(self) -> bool:
        """Whether nothing is waiting (the last order may still be going on)."""
        return not self._waiting

    def take_stop(self) -> bool:
        """Whether the client was just told to stop; asked many times a second."""
        self._read_file()
        stopping, self._stopping = self._stopping, False
        return stopping

    def next_segments(self, script: Script) -> Iterator[Segment]:
        """What the next order makes the client do."""
        self._read_file()
        if not self._waiting:
            return
        name, *words = self._waiting.popleft().split()
        self.done_total += 1
        if self.at_bench and name != "hang":
            self._world.hang(0.0)
        self.at_bench = name == "hang"
        yield from _ORDERS[name](self, script, words)

    # --- where orders come from ---------------------------------------------------------

    def _take(self, order: str) -> None:
        if order.strip() == "stop":
            self._waiting.clear()
            self._stopping = True
        else:
            self._waiting.append(order)

    def _read_file(self) -> None:
        if self._file is None:
            return
        try:
            with self._file.open("rb") as source:
                if source.seek(0, SEEK_END) < self._read_bytes:  # begun anew by who orders
                    self._read_bytes, self._half_line = 0, b""
                source.seek(self._read_bytes)
                data = source.read()
        except OSError:
            return  # not there yet, or being replaced: nothing is ordered
        self._read_bytes += len(data)
        *lines, self._half_line = (self._half_line + data).split(b"\n")
        for line in lines:
            order = line.decode("utf-8", "replace").strip()
            if not order:
                continue
            try:
                self._check(order)
            except SimulatorOptionError:
                self.refused.append(order)
            else:
                self._take(order)

    def _check(self, order: str) -> None:
        name, *words = order.split() or [""]
        if name == "stop" and not words:
            return
        if name not in _ORDERS or not _understood(name, words):
            raise SimulatorOptionError(
                f"The virtual client does not understand '{order}'.",
                f"Orders are: {', '.join([*_ORDERS, 'stop'])}; see simulator/virtual_client.py.",
            )

    # --- what is done on an order ---------------------------------------------------------

    def _move(self, script: Script, words: list[str]) -> Iterator[Segment]:
        low, high = script.machine.travel_degrees
        place = min(high, max(low, float(words[0])))
        yield Segment(Kind.MOVE, MOVE_SECONDS, f"to {place:g}", place)

    def _sweep(self, script: Script, words: list[str]) -> Iterator[Segment]:
        del words
        extended, flexed = script.ends_degrees
        seconds = (flexed - extended) / SWEEP_DEGREES_PER_SECOND
        yield Segment(Kind.MOVE, MOVE_SECONDS, "to flexed end", flexed)
        for way, end in (("extending", extended), ("flexing", flexed)):
            yield Segment(Kind.HOLD, 1.5, "relaxed")
            yield Segment(Kind.SWEEP, seconds, f"relaxed sweep, {way}", end)
        yield Segment(Kind.HOLD, 1.5, "relaxed")

    def _gentle(self, script: Script, words: list[str]) -> Iterator[Segment]:
        del words
        extended, flexed = script.ends_degrees
        slip = self._manner.slip_degrees
        seconds = (flexed - extended) / GENTLE_DEGREES_PER_SECOND
        for way, end in (("forward", flexed), ("back", extended), ("forward", flexed)):
            slipping = slip if way == "back" else 0.0
            yield Segment(Kind.SWEEP, seconds, f"gently {way}", end, slip_degrees=slipping)
            yield Segment(Kind.HOLD, 0.6, "at the end")

    def _relax(self, script: Script, words: list[str]) -> Iterator[Segment]:
        del script
        yield Segment(Kind.HOLD, float(words[0]) if words else 2.0, "relaxed")

    def _push(self, script: Script, words: list[str]) -> Iterator[Segment]:
        manner = self._manner
        meant = float(words[0]) if words else 0.96
        yield Segment(
            Kind.EFFORT,
            float(words[1]) if len(words) > 1 else EFFORT_SECONDS,
            "effort",
            effort=min(1.0, script.source.gauss(meant, manner.effort_spread)),
            rise_seconds=manner.effort_rise_seconds,
            dip=manner.effort_dip,
            held=manner.effort_held,
        )

    def _set(self, script: Script, words: list[str]) -> Iterator[Segment]:
        count = int(words[0]) if words else REPETITIONS
        others = {int(number): MANNERS[name] for number, name in _pairs(words[1:])}
        flexed = script.ends_degrees[1]
        yield Segment(Kind.MOVE, MOVE_SECONDS, "to start", flexed)
        yield Segment(Kind.FREE, 2.0, "ready", flexed)
        manner = self._manner
        for number in range(1, count + 1):
            if manner.stops_after and number > manner.stops_after:
                break
            this = others.get(number, manner)
            slipping = this.slip_degrees if number in others or number >= 3 else 0.0
            yield from one_repetition(script, this, number, slipping)
        yield Segment(Kind.FREE, 3.0, "set done", flexed)

    def _crank(self, script: Script, words: list[str]) -> Iterator[Segment]:
        del script
        machine = self._world.machine
        turned = machine.counterweight_turns + float(words[0])
        machine.counterweight_turns = min(machine.truth.counterweight_turns_limit, max(0.0, turned))
        yield Segment(Kind.HOLD, CRANK_SECONDS, f"cranked by {float(words[0]):g}")

    def _stack(self, script: Script, words: list[str]) -> Iterator[Segment]:
        del script
        self._world.machine.stack_kg = float(words[0])
        yield Segment(Kind.HOLD, 1.0, f"stack {words[0]} kg")

    def _hang(self, script: Script, words: list[str]) -> Iterator[Segment]:
        del script
        mass_kg, *place = (float(word) for word in words)
        if place:
            self._world.hang_on_arm(mass_kg, *place)
        else:
            self._world.hang(mass_kg)
        yield Segment(Kind.BENCH, HANG_SECONDS, f"{mass_kg:g} kg")

    def _behave(self, script: Script, words: list[str]) -> Iterator[Segment]:
        del script
        client, manner = self._world.client, MANNERS[words[0]]
        share = manner.strength_fraction / client.truth.manner.strength_fraction
        flexed, extended = client.truth.strength_nm
        client.truth = replace(
            client.truth, manner=manner, strength_nm=(share * flexed, share * extended)
        )
        yield from ()

    @property
    def _manner(self) -> Manner:
        return self._world.client.truth.manner


_ORDERS: Final[dict[str, Callable[[VirtualClient, Script, list[str]], Iterator[Segment]]]] = {
    "move": VirtualClient._move,
    "sweep": VirtualClient._sweep,
    "gentle": VirtualClient._gentle,
    "relax": VirtualClient._relax,
    "push": VirtualClient._push,
    "set": VirtualClient._set,
    "crank": VirtualClient._crank,
    "stack": VirtualClient._stack,
    "hang": VirtualClient._hang,
    "behave": VirtualClient._behave,
}
_NUMBERS: Final[dict[str, tuple[tuple[float, float], ...]]] = {
    "move": ((-180.0, 180.0),),
    "relax": ((0.1, 600.0),),
    "push": (_SHARE_RANGE, (0.5, 60.0)),
    "crank": ((-100.0, 100.0),),
    "stack": ((0.0, 500.0),),
    "hang": ((0.0, 500.0), (0.01, 3.0), (-60.0, 60.0)),
}
_NEEDED: Final = {"move": 1, "crank": 1, "stack": 1, "hang": 1, "behave": 1}


def _understood(name: str, words: list[str]) -> bool:
    if len(words) < _NEEDED.get(name, 0):
        return False
    if name == "behave":
        return len(words) == 1 and words[0] in MANNERS
    if name == "set":
        return _set_understood(words)
    ranges = _NUMBERS.get(name, ())
    return len(words) <= len(ranges) and all(
        _within(word, *limits) for word, limits in zip(words, ranges, strict=False)
    )


def _set_understood(words: list[str]) -> bool:
    if words and not (words[0].isdecimal() and 1 <= int(words[0]) <= 100):
        return False
    return all(number.isdecimal() and name in MANNERS for number, name in _pairs(words[1:]))


def _pairs(words: list[str]) -> list[tuple[str, str]]:
    return [(number, name) for number, _, name in (word.partition("=") for word in words)]


def _within(word: str, low: float, high: float) -> bool:
    try:
        return low <= float(word) <= high
    except ValueError:
        return False
