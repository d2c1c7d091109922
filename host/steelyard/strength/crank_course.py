"""The counterweight's crank in the course of a session: where it stood when.

Balancing is sweep, crank, sweep again; and a crank turned after the last sweep
moves the balance by a known moment.  Both are taken into account from the
settings that the operator wrote down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from steelyard.strength.balance import BalanceFit
from steelyard.strength.gravity_moment import GravityMoment
from steelyard.strength.machine_profile import Counterweight
from steelyard.strength.movement import Sweep


@dataclass(frozen=True)
class CrankSetting:
    """Where the crank stood from a moment on; seconds from the first sample of the session.

    ``turns`` None: it was turned then, or stood there, but its setting was not read.
    """

    turns: float | None
    from_seconds: float = 0.0


def turns_at(course: Sequence[CrankSetting], seconds: float) -> float | None:
    """Setting at a moment; None where the course begins later or is not known."""
    before = [one.turns for one in course if one.from_seconds <= seconds]
    return before[-1] if before else None


def turned_between(course: Sequence[CrankSetting], start: float, end: float) -> bool:
    """Whether the crank was turned after ``start`` and not later than ``end``, in seconds."""
    return any(start < one.from_seconds <= end for one in course)


def sweeps_to_fit(sweeps: Sequence[Sweep], course: Sequence[CrankSetting]) -> list[Sweep]:
    """The sweeps of one setting of the crank: the last that was swept both ways.

    Those of several settings must not be fitted together.  All of them where
    no setting was swept both ways, or where none is known to have changed.
    """
    for number in reversed(range(len(course))):
        start = course[number].from_seconds
        end = course[number + 1].from_seconds if number + 1 < len(course) else np.inf
        # a sweep that the change cuts in two is none
        inside = [one for one in sweeps if one.start_seconds >= start and one.end_seconds <= end]
        if {one.direction for one in inside} == {1, -1}:
            return inside
    return list(sweeps)


def cranked(
    balance: BalanceFit, before: float | None, after: float | None, weight: Counterweight
) -> BalanceFit | None:
    """The balance after the crank was turned from one setting to another, both in turns.

    Uncertainty of moment and top dead centre added.  None where either setting was not read.
    """
    if before is None or after is None:
        return None
    turns = after - before
    if turns == 0.0:
        return balance
    per_turn, top = weight.moment_per_turn, weight.top_degrees
    moment = balance.moment + weight.moment(turns)
    one = weight.moment(1.0)
    size = np.array([one.p, one.q]) * turns * per_turn.standard_uncertainty / per_turn.value
    turned = np.array([-one.q, one.p]) * turns * np.radians(top.standard_uncertainty)
    covariance = np.array(balance.covariance) + np.outer(size, size) + np.outer(turned, turned)
    return replace(
        balance,
        moment=GravityMoment(moment.p, moment.q),
        covariance=(
            (float(covariance[0, 0]), float(covariance[0, 1])),
            (float(covariance[1, 0]), float(covariance[1, 1])),
        ),
    )
