"""An independent Wheatstone bridge: Kirchhoff's laws as a matrix, solved with numpy.

The code under test eliminates node by node; here one ampere is driven through the whole
network and the voltage read (resistance distance by the pseudo-inverse of the Laplacian,
Klein and Randic 1993, from memory), so that an error in one does not hide in the other.
"""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np

PAIRS = tuple(combinations(range(4), 2))
ALMOST_NOTHING = 1e-7
"""Ohms that stand for a short: the matrix has no place for zero."""


def resistances(
    arms: tuple[float, float, float, float],
    *,
    series: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
    shorted: tuple[int, int] | None = None,
    cut: int | None = None,
) -> list[float]:
    """Readings between the four wires 0..3, pairs in order.

    ``arms`` lie between wires 0-1, 1-2, 2-3 and 3-0; ``series`` is in each wire, before its
    corner; ``shorted`` joins two wires; ``cut`` breaks one.
    """
    resistors = [(corner + 4, (corner + 1) % 4 + 4, ohms) for corner, ohms in enumerate(arms)]
    resistors += [(wire, wire + 4, ohms) for wire, ohms in enumerate(series) if wire != cut]
    if shorted is not None:
        resistors.append((*shorted, 0.0))
    laplacian = np.zeros((8, 8))
    for a, b, ohms in resistors:
        if math.isinf(ohms):
            continue
        siemens = 1.0 / max(ohms, ALMOST_NOTHING)
        laplacian[[a, b], [a, b]] += siemens
        laplacian[[a, b], [b, a]] -= siemens
    return [_between(laplacian, a, b) for a, b in PAIRS]


def _between(laplacian: np.ndarray, a: int, b: int) -> float:
    reached = {a}
    for _ in range(8):
        reached |= {int(n) for node in reached for n in np.flatnonzero(laplacian[node])}
    if b not in reached:
        return math.inf
    nodes = sorted(reached)
    current = np.zeros(len(nodes))
    current[nodes.index(a)], current[nodes.index(b)] = 1.0, -1.0
    # Node b is ground: without it the rest of the matrix can be solved.
    kept = [index for index, node in enumerate(nodes) if node != b]
    part = laplacian[np.ix_([nodes[i] for i in kept], [nodes[i] for i in kept])]
    volts = np.linalg.solve(part, current[kept])
    return float(volts[kept.index(nodes.index(a))])


def permuted(readings: list[float], order: tuple[int, ...]) -> list[float]:
    """The readings when wire ``order[i]`` of the bridge is the person's wire i."""
    table = dict(zip(PAIRS, readings, strict=True))
    return [table[min(order[a], order[b]), max(order[a], order[b])] for a, b in PAIRS]
