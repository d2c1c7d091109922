"""Which wire is which on an unknown bridge, from the six resistances between its four wires.

Every bridge that one could have, sound or with one fault, with its wires in every order, is
compared with the readings; what fits within the meter's tolerance is an explanation.  Where
several fit, all are given, because a guess wired up as a fact costs a sensor.

What resistances cannot say: the sign of the signal.  Only a push can.  And where both
diagonals read the same, which of them is excitation: four equal arms give the same signal
either way round (the bridge is reciprocal), though its maker trimmed it for one way.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

from steelyard.errors import WiringError
from steelyard.wiring.bridge_network import (
    ALL_FAULTS,
    K_STEPS,
    LARGEST_K,
    WIRE_PAIRS,
    NetworkFault,
    Place,
    between,
    shape_table,
)
from steelyard.wiring.ohmmeter import Tolerance, checked_ohms

Pair = tuple[str, str]

NOMINAL_OHMS: Final = (120.0, 350.0, 700.0, 1000.0)
"""Usual resistances of gauges and cells (common practice, no source)."""
NOMINAL_SHARE: Final = 0.10
PLAUSIBLE_OHMS: Final = (50.0, 6000.0)

_K_REFINEMENTS: Final = 20
_WORTH_REFINING: Final = 6.0
"""In tolerances: one step of the grid changes the misfit by less."""
_SHORT_SHAPE: Final = 1e-9


class BridgeFault(Enum):
    """What is wrong with a bridge, if anything; the words are for people."""

    NONE = "sound full bridge"
    HALF = "half bridge"
    ARM_OPEN = "one arm broken"
    ARM_SHORTED = "one arm shorted inside the cell"
    WIRE_CUT = "one wire cut"
    WIRES_SHORTED = "two wires shorted in cable or plug"


_FAULTS: Final = {
    Place.NONE: BridgeFault.NONE,
    Place.HALF: BridgeFault.HALF,
    Place.ARM_OPEN: BridgeFault.ARM_OPEN,
    Place.ARM_SHORTED: BridgeFault.ARM_SHORTED,
    Place.WIRE_CUT: BridgeFault.WIRE_CUT,
    Place.WIRES_SHORTED: BridgeFault.WIRES_SHORTED,
}

_ORDER: Final = {
    fault: place
    for place, fault in enumerate(
        (
            BridgeFault.NONE,
            BridgeFault.HALF,
            BridgeFault.WIRE_CUT,
            BridgeFault.WIRES_SHORTED,
            BridgeFault.ARM_OPEN,
            BridgeFault.ARM_SHORTED,
        )
    )
}

_ORDERS: Final = tuple(
    order
    for one, two in (((0, 1), (2, 3)), ((0, 2), (1, 3)), ((0, 3), (1, 2)))
    for order in ((one[0], two[0], one[1], two[1]), (two[0], one[0], two[1], one[1]))
)
"""Which reading's wire is e1, s1, e2, s2: three ways to pair wires to diagonals, times which
of them is excitation.  The other orders are these, turned or mirrored."""


@dataclass(frozen=True)
class BridgeExplanation:
    """One bridge that would give these readings.

    Wires by the names given.  ``at``: the wires that the fault lies between, or the one that
    is cut or leads nowhere.  ``diagonals``, ``excitation`` and ``signal`` are None where the
    readings cannot tell.  ``arm_ohms`` is one arm; ``series_ohms`` what the excitation wires
    carry besides, each.  ``misfit`` is the worst deviation in units of the tolerance.
    """

    fault: BridgeFault
    at: tuple[str, ...]
    diagonals: tuple[Pair, Pair] | None
    excitation: Pair | None
    signal: Pair | None
    arm_ohms: float
    series_ohms: float
    misfit: float

    @property
    def nominal_ohms(self) -> float | None:
        """The usual resistance that an arm comes close to; None: to none of them."""
        return nominal_of(self.arm_ohms)


@dataclass(frozen=True)
class BridgeIdentification:
    """All explanations, best first.  Empty: not a bridge with at most one fault.

    ``readings`` maps pairs of wire names to ohms, infinite for open.
    """

    wires: tuple[str, ...]
    readings: dict[Pair, float]
    explanations: tuple[BridgeExplanation, ...]

    @property
    def is_certain(self) -> bool:
        """Whether exactly one explanation fits."""
        return len(self.explanations) == 1

    @property
    def is_sound(self) -> bool:
        """Whether it is a full bridge and can be nothing else."""
        return self.is_certain and self.explanations[0].fault is BridgeFault.NONE


@dataclass(frozen=True)
class _Fit:
    fault: NetworkFault
    order: tuple[int, ...]
    arm_ohms: float
    k: float
    misfit: float


def nominal_of(ohms: float) -> float | None:
    """The usual bridge resistance within 10 %; None when there is none."""
    return next(
        (value for value in NOMINAL_OHMS if abs(ohms - value) <= NOMINAL_SHARE * value), None
    )


def identify_bridge(
    ohms: Sequence[float],
    wires: Sequence[str] = ("1", "2", "3", "4"),
    tolerance: Tolerance | None = None,
) -> BridgeIdentification:
    """Say what the six readings can come from.

    ``ohms``: between wires 1-2, 1-3, 1-4, 2-3, 2-4 and 3-4; `OPEN` where there is no
    connection.  ``wires``: the four names, in the same order.

    Raises:
        WiringError: not six readings, not four different names, or no resistance.
    """
    if len(ohms) != 6 or len(set(wires)) != 4:
        raise WiringError(
            f"{len(ohms)} readings between {len(set(wires))} wires do not describe a bridge.",
            "Give six readings (1-2, 1-3, 1-4, 2-3, 2-4, 3-4) and four different names.",
        )
    readings = tuple(checked_ohms(value) for value in ohms)
    tolerance = tolerance or Tolerance()
    fits = [
        fit
        for fault in ALL_FAULTS
        for order in _ORDERS
        if (fit := _fit(readings, fault, order, tolerance)) is not None
    ]
    names = tuple(wires)
    return BridgeIdentification(
        wires=names,
        readings={
            (names[a], names[b]): value for (a, b), value in zip(WIRE_PAIRS, readings, strict=True)
        },
        explanations=_explain(fits, names),
    )


# --- fitting one bridge to the readings -----------------------------------------------------


def _fit(
    readings: tuple[float, ...], fault: NetworkFault, order: tuple[int, ...], tolerance: Tolerance
) -> _Fit | None:
    """The best arm and series resistance, or None when nothing fits within the tolerance."""
    found = [readings[_pair_index(order[a], order[b])] for a, b in WIRE_PAIRS]

    table = shape_table(fault)

    def misfit_at(k: float) -> tuple[float, float]:
        return _scale(found, between(table, k), tolerance)

    if math.isinf(misfit_at(LARGEST_K / 2)[0]):
        return None  # not even the pattern of open and shorted pairs
    k = 0.0 if misfit_at(0.0)[0] <= 1.0 else _best_k(lambda value: misfit_at(value)[0])
    misfit, arm_ohms = misfit_at(k)
    if misfit > 1.0 or not PLAUSIBLE_OHMS[0] <= arm_ohms <= PLAUSIBLE_OHMS[1]:
        return None
    return _Fit(fault, order, arm_ohms, k, misfit)


def _best_k(misfit_at: Callable[[float], float]) -> float:
    """The series resistance of the best fit: the best of a grid, then thirds about it."""
    grid = [LARGEST_K * step / K_STEPS for step in range(K_STEPS + 1)]
    misfits = [misfit_at(k) for k in grid]
    best = misfits.index(min(misfits))
    if misfits[best] > _WORTH_REFINING:
        return grid[best]
    low, high = grid[max(0, best - 1)], grid[min(K_STEPS, best + 1)]
    for _ in range(_K_REFINEMENTS):
        third = (high - low) / 3.0
        if misfit_at(low + third) <= misfit_at(high - third):
            high -= third
        else:
            low += third
    return min((grid[best], low, high), key=misfit_at)


def _pair_index(a: int, b: int) -> int:
    return WIRE_PAIRS.index((min(a, b), max(a, b)))


def _scale(
    readings: Iterable[float], shape: Iterable[float], tolerance: Tolerance
) -> tuple[float, float]:
    """Worst deviation in tolerances, and the arm's ohms that go with it.

    Weighted least squares of a straight line through zero; infinite when a pair is open in
    one and not in the other, or connected without resistance in one and not in the other.
    """
    finite: list[tuple[float, float, float]] = []
    worst = 0.0
    for reading, unit in zip(readings, shape, strict=True):
        if math.isinf(reading) or math.isinf(unit):
            if math.isinf(reading) != math.isinf(unit):
                return math.inf, 0.0
        elif unit < _SHORT_SHAPE:
            worst = max(worst, reading / (2.0 * tolerance.ohms + 0.5))  # leads and contacts
        else:
            finite.append((reading, unit, tolerance.of(reading)))
    squares = sum((unit / width) ** 2 for _, unit, width in finite)
    if not finite or squares == 0.0:
        return math.inf, 0.0
    arm = sum(reading * unit / width**2 for reading, unit, width in finite) / squares
    deviations = (abs(reading - arm * unit) / width for reading, unit, width in finite)
    return max(worst, *deviations), arm


# --- from fits to explanations ----------------------------------------------------------------


def _explain(fits: list[_Fit], wires: tuple[str, ...]) -> tuple[BridgeExplanation, ...]:
    """One explanation for each fault at each place; what its fits disagree on is unknown."""
    groups: dict[tuple[BridgeFault, tuple[str, ...]], list[_Fit]] = {}
    for fit in fits:
        at = tuple(sorted((wires[fit.order[wire]] for wire in fit.fault.at), key=wires.index))
        groups.setdefault((_FAULTS[fit.fault.place], at), []).append(fit)
    found = [_explanation(fault, at, group, wires) for (fault, at), group in groups.items()]
    # Equally good ones: what can be mended comes first.
    return tuple(sorted(found, key=lambda item: (round(item.misfit, 6), _ORDER[item.fault])))


def _explanation(
    fault: BridgeFault, at: tuple[str, ...], group: list[_Fit], wires: tuple[str, ...]
) -> BridgeExplanation:
    best = min(group, key=lambda fit: fit.misfit)
    excitations = {_pair(fit.order[0], fit.order[2], wires) for fit in group}
    signals = {_pair(fit.order[1], fit.order[3], wires) for fit in group}
    diagonals = {frozenset(pair) for pair in excitations | signals}
    excitation = next(iter(excitations)) if len(excitations) == 1 else None
    both = tuple(sorted(excitations | signals, key=lambda pair: wires.index(pair[0])))
    return BridgeExplanation(
        fault=fault,
        at=at,
        diagonals=(both[0], both[1]) if len(diagonals) == 2 else None,
        excitation=excitation,
        signal=next(iter(signals)) if excitation is not None and len(signals) == 1 else None,
        arm_ohms=best.arm_ohms,
        series_ohms=best.k * best.arm_ohms,
        misfit=best.misfit,
    )


def _pair(a: int, b: int, wires: tuple[str, ...]) -> Pair:
    return wires[min(a, b)], wires[max(a, b)]
