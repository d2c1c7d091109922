"""Which way and how far to crank the counterweight, and what is left then.

The crank changes only the size of the counterweight's moment, not its top dead
centre, so the best setting leaves something wherever the two tops differ.
What is left is stated, and taken off in software only under its own name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from steelyard.strength.balance import BalanceFit, amplitude_of, top_of
from steelyard.strength.gravity_moment import GravityMoment
from steelyard.strength.machine_profile import Counterweight, MachineProfile
from steelyard.strength.measured import Measured, Statement, root_sum

CAUTION: Final = (
    "Lock the arm before cranking, and keep hands and the client clear of the counterweight."
)
SEARCHED_STEPS: Final = 24


@dataclass(frozen=True)
class CrankAdvice:
    """``turns`` to crank: positive adds counterweight; rounded to what the crank can be set to.

    ``left`` is the largest residual moment after it, ``done`` whether
    cranking any further is of no use: the residual lies within the bound, or
    no setting makes it smaller by more than its uncertainty.
    """

    turns: float
    exact_turns: Measured
    left: Measured
    done: bool
    statements: tuple[Statement, ...]

    def text(self) -> str:
        """What to do, in words."""
        if self.done:
            return f"Leave the crank. Largest residual moment: {self.left.text()}."
        way = "add" if self.turns > 0.0 else "take off"
        return (
            f"Crank {abs(self.turns):g} turns to {way} counterweight; then at most "
            f"{self.left.text()} is left. {CAUTION}"
        )


def crank_advice(
    fit: BalanceFit, profile: MachineProfile, turns_now: float | None = None
) -> CrankAdvice:
    """Turns that make the largest residual moment over the range seen least.

    ``exact_turns`` is the least-squares answer, not rounded, with its uncertainty.
    ``turns_now``, the crank's setting, keeps the advice within its travel.
    """
    weight = profile.counterweight
    angles = np.linspace(fit.low_degrees, fit.high_degrees, 101)
    one = weight.moment(1.0).torque(angles)
    square = float(one @ one)
    exact = -float(fit.moment.torque(angles) @ one) / square
    lever = one @ GravityMoment.rows(angles) / square
    spread = math.sqrt(float(lever @ np.array(fit.covariance) @ lever))
    relative = weight.moment_per_turn.standard_uncertainty / weight.moment_per_turn.value
    measured = Measured(exact, math.hypot(spread, exact * relative), "turns")
    worst_now = fit.worst()[1]
    turns, statements = _within_travel(_evenest(fit, weight, exact), turns_now, weight)
    after = _left(fit, weight, turns)
    gain = abs(worst_now.value) - abs(after.value)
    done = (
        turns == 0.0
        or abs(worst_now.value) <= profile.balance_bound_nm
        or gain <= worst_now.expanded_uncertainty
    )
    if done:
        turns, after = 0.0, _left(fit, weight, 0.0)
    if abs(after.value) > profile.balance_bound_nm:
        statements.append(
            Statement(
                "balance-left",
                f"At the best setting {after.text()} is left, more than the "
                f"{profile.balance_bound_nm:g} N·m of this machine: the top dead centres of body "
                "and counterweight differ. It is taken off in software where that is said.",
            )
        )
    return CrankAdvice(turns, measured, after, done, tuple(statements))


def _evenest(fit: BalanceFit, weight: Counterweight, exact: float) -> float:
    """The setting that makes the largest residual over the range least, near the exact one."""
    middle = round(exact / weight.turn_step)
    reach = range(middle - SEARCHED_STEPS, middle + SEARCHED_STEPS + 1)
    settings = [step * weight.turn_step for step in reach]
    return min(settings, key=lambda turns: abs(_left(fit, weight, turns).value))


def _within_travel(
    turns: float, turns_now: float | None, weight: Counterweight
) -> tuple[float, list[Statement]]:
    if turns_now is None:
        return turns, []
    reached = min(weight.turns_limit, max(0.0, turns_now + turns))
    if reached == turns_now + turns:
        return turns, []
    text = (
        f"The crank ends at {reached:g} turns; {turns_now + turns:g} would balance better. "
        "The rest is left over."
    )
    return reached - turns_now, [Statement("crank-at-its-end", text)]


def _left(fit: BalanceFit, weight: Counterweight, turns: float) -> Measured:
    """Largest residual after cranking; the crank's own uncertainty included."""
    angles = np.linspace(fit.low_degrees, fit.high_degrees, 101)
    moment = fit.moment + weight.moment(turns)
    torque = moment.torque(angles)
    worst = int(np.argmax(np.abs(torque)))
    of_crank = turns * weight.moment_per_turn.standard_uncertainty
    lever = abs(math.sin(math.radians(float(angles[worst]) - weight.top_degrees.value)))
    spread = root_sum((float(fit.standard_uncertainty(angles[worst])[0]), of_crank * lever))
    return Measured(float(torque[worst]), spread, "N·m")


@dataclass(frozen=True)
class BodyWeight:
    """What the counterweight has to carry: client and arm together, and the client alone.

    ``top_degrees`` None where the moment is too small to have one.
    """

    with_arm: Measured
    with_arm_top_degrees: Measured | None
    client: Measured
    client_top_degrees: Measured | None


def body_weight(fit: BalanceFit, profile: MachineProfile, turns: float) -> BodyWeight:
    """Take the counterweight (at ``turns``), then the arm, out of the residual moment."""
    weight = profile.counterweight
    with_arm = fit.moment - weight.moment(turns)
    covariance = np.array(fit.covariance) + _spread(
        Measured(
            turns * weight.moment_per_turn.value,
            turns * weight.moment_per_turn.standard_uncertainty,
            "N·m",
        ),
        weight.top_degrees,
    )
    client = with_arm - profile.arm_weight
    of_client = covariance + _spread(profile.arm_moment, profile.arm_top_degrees)
    return BodyWeight(
        amplitude_of(with_arm, covariance),
        top_of(with_arm, covariance),
        amplitude_of(client, of_client),
        top_of(client, of_client),
    )


def _spread(moment: Measured, top: Measured) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Covariance (2, 2) of p and q of a moment known by size and top dead centre."""
    angle = math.radians(top.value)
    along = np.array([math.cos(angle), math.sin(angle)]) * moment.standard_uncertainty
    across = np.array([-math.sin(angle), math.cos(angle)]) * (
        moment.value * math.radians(top.standard_uncertainty)
    )
    return np.asarray(np.outer(along, along) + np.outer(across, across))
