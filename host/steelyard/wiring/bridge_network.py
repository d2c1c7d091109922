"""What an ohmmeter reads between the wires of a bridge, sound or with one fault.

The bridge has four arms of 1 (everything here is in units of an arm) in a ring::

          e1
        /    \\
      s2      s1          wires: 0 = e1, 1 = s1, 2 = e2, 3 = s2
        \\    /
          e2

and a compensation resistor of ``k`` in each excitation wire, 0 in a plain bridge.  Load
cells carry these to hold their sensitivity against temperature, which is why the input
of many reads 380 to 420 ohms where the output reads 350 (common practice, no source).

Readings come from node elimination (the star-mesh transform, of which Wheatstone's and
Kennelly's star-triangle is the three-armed case).
"""

from __future__ import annotations

import math
from enum import Enum
from functools import cache
from itertools import combinations
from typing import Final, NamedTuple

WIRE_PAIRS: Final = tuple(combinations(range(4), 2))
"""The six pairs of wires, in the order in which readings are given."""

ARMS: Final = ((0, 1), (1, 2), (2, 3), (3, 0))
DIAGONALS: Final = ((0, 2), (1, 3))

_INNER: Final = {0: 4, 1: 1, 2: 5, 3: 3}
"""The bridge corner behind each wire: the compensation resistor lies between."""


class Place(Enum):
    """What a single fault does, and to what."""

    NONE = "nothing"
    ARM_OPEN = "arm open"
    ARM_SHORTED = "arm shorted"
    WIRE_CUT = "wire cut"
    WIRES_SHORTED = "wires shorted"
    HALF = "half bridge"


class NetworkFault(NamedTuple):
    """One fault; ``at`` are the wires concerned, by number."""

    place: Place
    at: tuple[int, ...] = ()


ALL_FAULTS: Final = (
    NetworkFault(Place.NONE),
    *(NetworkFault(Place.ARM_OPEN, arm) for arm in ARMS),
    *(NetworkFault(Place.ARM_SHORTED, arm) for arm in ARMS),
    *(NetworkFault(Place.WIRE_CUT, (wire,)) for wire in range(4)),
    *(NetworkFault(Place.WIRES_SHORTED, pair) for pair in (*ARMS, *DIAGONALS)),
    *(NetworkFault(Place.HALF, (wire,)) for wire in (1, 3)),
)
"""Half bridge: three wires, the middle one is one signal wire; the other leads nowhere."""

_Resistor = tuple[int, int, float]


LARGEST_K: Final = 0.25
K_STEPS: Final = 25
"""Grid of ``k`` for the table; between its points readings bend by less than 1e-4."""


Readings = tuple[float, ...]
"""Resistance between each of `WIRE_PAIRS`, in units of an arm; infinite where open."""


def wire_resistances(fault: NetworkFault, k: float) -> Readings:
    """What a bridge reads with this fault and so much in each excitation wire, exactly."""
    resistors = _resistors(fault, k)
    readings = []
    for first, second in WIRE_PAIRS:
        if fault.place is Place.WIRE_CUT and fault.at[0] in (first, second):
            readings.append(math.inf)
        else:
            readings.append(resistance_between(resistors, first, second))
    return tuple(readings)


@cache
def shape_table(fault: NetworkFault) -> tuple[Readings, ...]:
    """The readings at ``k`` from 0 to `LARGEST_K`, in `K_STEPS` steps."""
    return tuple(wire_resistances(fault, LARGEST_K * step / K_STEPS) for step in range(K_STEPS + 1))


def between(table: tuple[Readings, ...], k: float) -> Readings:
    """The readings at any ``k`` within the table, by straight lines."""
    place = k / LARGEST_K * K_STEPS
    below = min(K_STEPS - 1, int(place))
    share = place - below
    if share == 0.0:
        return table[below]
    pairs = zip(table[below], table[below + 1], strict=True)
    return tuple(low if low == high else low + share * (high - low) for low, high in pairs)


def _resistors(fault: NetworkFault, k: float) -> list[_Resistor]:
    if fault.place is Place.HALF:
        middle = 4 - fault.at[0]
        return [(0, middle, 1.0), (middle, 2, 1.0)]
    resistors = [(0, _INNER[0], k), (2, _INNER[2], k)]
    for arm in ARMS:
        ohms = 1.0
        if fault.at == arm and fault.place is Place.ARM_OPEN:
            ohms = math.inf
        elif fault.at == arm and fault.place is Place.ARM_SHORTED:
            ohms = 0.0
        resistors.append((_INNER[arm[0]], _INNER[arm[1]], ohms))
    if fault.place is Place.WIRES_SHORTED:
        resistors.append((fault.at[0], fault.at[1], 0.0))
    return resistors


def resistance_between(resistors: list[_Resistor], first: int, second: int) -> float:
    """Resistance between two nodes of a network of (node, node, ohms)."""
    joined = _merge_zero_ohms(resistors)
    start, end = joined.get(first, first), joined.get(second, second)
    if start == end:
        return 0.0
    conductance: dict[int, dict[int, float]] = {start: {}, end: {}}
    for a, b, ohms in resistors:
        node, other = joined.get(a, a), joined.get(b, b)
        if node != other and not math.isinf(ohms):
            _add(conductance, node, other, 1.0 / ohms)
    for node in [node for node in conductance if node not in (start, end)]:
        _eliminate(conductance, node)
    between = conductance[start].get(end, 0.0)
    return 1.0 / between if between > 0.0 else math.inf


def _merge_zero_ohms(resistors: list[_Resistor]) -> dict[int, int]:
    """Which node stands for which, where wires of no resistance join them."""
    stands_for = {node: node for a, b, _ in resistors for node in (a, b)}
    for a, b, ohms in resistors:
        if ohms == 0.0:
            kept, dropped = stands_for[a], stands_for[b]
            stands_for = {n: kept if s == dropped else s for n, s in stands_for.items()}
    return stands_for


def _add(conductance: dict[int, dict[int, float]], a: int, b: int, siemens: float) -> None:
    for node, other in ((a, b), (b, a)):
        row = conductance.setdefault(node, {})
        row[other] = row.get(other, 0.0) + siemens


def _eliminate(conductance: dict[int, dict[int, float]], node: int) -> None:
    """Replace a star by its mesh: each pair of rays a, b becomes a b / sum of all."""
    rays = conductance.pop(node)
    for other in rays:
        del conductance[other][node]
    total = sum(rays.values())
    for (a, ray_a), (b, ray_b) in combinations(rays.items(), 2):
        _add(conductance, a, b, ray_a * ray_b / total)
