"""The client in the seat: weight, strength, fatigue, and how they move.

Clients are inventions.  Sizes follow segment tables: trunk, head and neck are
57.8 % of body mass (Winter after Dempster, Table 4.1), the head alone 6.9 %
(de Leva 1996).  That extension strength falls from the flexed to the extended
end of the range, and that it falls with fatigue and returns with rest, is
common knowledge of the trade; the curve and its constants are made up.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from typing import Final

from .machine_model import STANDARD_GRAVITY

TRUNK_HEAD_NECK_MASS_FRACTION: Final = 0.578
HEAD_NECK_MASS_FRACTION: Final = 0.081
FATIGUE_SECONDS: Final = 140.0
RECOVERY_SECONDS: Final = 160.0


@dataclass(frozen=True)
class Manner:
    """How somebody does a set.

    ``range_fraction`` of the asked range is used; ``slip_degrees`` is how far
    the pelvis (or the chest) slips out of its restraint at each repetition from
    the third on; ``stops_after`` repetitions the client gives up (0: never).

    Severity of faults of form, each harmless at its default: ``throw`` and
    ``drop`` (1 to 0.3) bend time so that the way up is begun, or the way down
    ended, too fast; ``ripple`` is how much speed swells and fades within a way;
    ``clearance_degrees`` how far above its rest the stack is turned (0: set
    down); every ``partial_every``-th repetition reaches ``partial_fraction`` of the
    range; ``mid_pause_seconds`` is a stop half-way up.  Of isometric efforts:
    ``effort_rise_seconds``, ``effort_dip`` (share of strength the other way
    before), ``effort_held`` (share of the time), ``effort_spread`` between
    repeats.
    """

    name: str
    concentric_seconds: float = 2.2
    hold_seconds: float = 1.0
    eccentric_seconds: float = 4.0
    pause_seconds: float = 0.8
    range_fraction: float = 1.0
    slip_degrees: float = 0.0
    stops_after: int = 0
    strength_fraction: float = 1.0
    steadiness: float = 0.012
    throw: float = 1.0
    drop: float = 1.0
    ripple: float = 0.0
    clearance_degrees: float = 0.0
    partial_every: int = 0
    partial_fraction: float = 0.5
    mid_pause_seconds: float = 0.0
    effort_rise_seconds: float = 1.5
    effort_dip: float = 0.0
    effort_held: float = 1.0
    effort_spread: float = 0.015


MANNERS: Final = {
    manner.name: manner
    for manner in (
        Manner("steady"),
        Manner("rushed", 0.55, 0.1, 0.8, 0.1, steadiness=0.03),
        Manner("short", range_fraction=0.55),
        Manner("slipping", slip_degrees=2.5),
        Manner("weak", strength_fraction=0.45, steadiness=0.03),
        Manner("stops", stops_after=3),
        Manner("throwing", throw=0.5),
        Manner("dropping", drop=0.4),
        Manner("uneven", ripple=0.8),
        Manner("controlled", clearance_degrees=3.0, pause_seconds=0.3),
        Manner("partial", partial_every=3),
        Manner("pausing", mid_pause_seconds=1.5),
        Manner("abrupt", effort_rise_seconds=0.15),
        Manner("fickle", effort_spread=0.25),
    )
}


@dataclass(frozen=True)
class ClientTruth:
    """What one client really is.

    ``gravity_nm`` is m g d of the moving part of the body about the joint,
    ``top_degrees`` its top dead centre, ``inertia`` in kg m^2,
    ``strength_nm`` the maximal torque (rested) at the flexed and the extended
    end of ``range_degrees`` (extended end first).
    """

    body_mass_kg: float
    gravity_nm: float
    top_degrees: float
    inertia: float
    range_degrees: tuple[float, float]
    strength_nm: tuple[float, float]
    manner: Manner

    def strength(self, angle_degrees: float) -> float:
        """Maximal rested torque in N m at an angle: the torque-angle curve."""
        low, high = self.range_degrees
        flexed_nm, extended_nm = self.strength_nm
        place = max(-0.2, min(1.2, (angle_degrees - low) / (high - low)))
        straight = extended_nm + (flexed_nm - extended_nm) * place
        bulge = 0.06 * flexed_nm * 4.0 * place * (1.0 - place)
        return max(0.1 * extended_nm, straight + bulge)


def draw_client(joint: str, manner: Manner, source: random.Random) -> ClientTruth:
    """Draw a client for a machine of a joint (``lumbar`` or ``cervical``)."""
    mass_kg = source.uniform(55.0, 95.0)
    height_m = source.uniform(1.58, 1.90)
    if joint == "lumbar":
        moving_kg = TRUNK_HEAD_NECK_MASS_FRACTION * mass_kg
        centre_m = 0.16 * height_m  # above the lumbar axis; made up
        client = ClientTruth(
            body_mass_kg=mass_kg,
            gravity_nm=moving_kg * STANDARD_GRAVITY * centre_m,
            top_degrees=source.gauss(3.0, 2.0),
            inertia=1.25 * moving_kg * centre_m**2,
            range_degrees=(source.uniform(-9.0, -3.0), source.uniform(54.0, 60.0)),
            strength_nm=(source.uniform(190.0, 320.0), source.uniform(110.0, 170.0)),
            manner=manner,
        )
    else:
        moving_kg = HEAD_NECK_MASS_FRACTION * mass_kg
        centre_m = 0.09 * height_m
        client = ClientTruth(
            body_mass_kg=mass_kg,
            gravity_nm=moving_kg * STANDARD_GRAVITY * centre_m,
            top_degrees=source.gauss(-4.0, 3.0),
            inertia=1.25 * moving_kg * centre_m**2,
            range_degrees=(source.uniform(-42.0, -34.0), source.uniform(44.0, 50.0)),
            strength_nm=(source.uniform(34.0, 55.0), source.uniform(20.0, 30.0)),
            manner=manner,
        )
    flexed_nm, extended_nm = client.strength_nm
    share = manner.strength_fraction
    return replace(client, strength_nm=(share * flexed_nm, share * extended_nm))


class ClientModel:
    """One client in time: freshness, unsteadiness and slipping."""

    def __init__(self, truth: ClientTruth, source: random.Random) -> None:
        self.truth = truth
        self.freshness = 1.0
        self.slip_degrees = 0.0
        self._source = source
        self._tremor = 0.0
        self._seconds = 0.0

    def capability(self, angle_degrees: float) -> float:
        """Torque in N m that the client can give at this moment."""
        return self.freshness * self.truth.strength(angle_degrees)

    def unsteady(self, torque_nm: float, angle_degrees: float, step_seconds: float) -> float:
        """Return what muscle gives in place of the torque meant; spends strength.

        Adds tremor (low-passed noise in proportion) and the breath, which moves
        a relaxed body too.
        """
        truth = self.truth
        self._seconds += step_seconds
        # First-order noise of 40 ms: most of it below about 4 Hz.
        keep = 1.0 - step_seconds / 0.040
        spread = math.sqrt(max(0.0, 1.0 - keep * keep))
        self._tremor = keep * self._tremor + self._source.gauss(0.0, spread)
        effort = min(1.2, abs(torque_nm) / truth.strength(angle_degrees))
        self.freshness += step_seconds * (
            (1.0 - self.freshness) / RECOVERY_SECONDS - effort**3 * self.freshness / FATIGUE_SECONDS
        )
        breath = 0.0025 * truth.strength_nm[0] * math.sin(2.0 * math.pi * 0.25 * self._seconds)
        return torque_nm * (1.0 + truth.manner.steadiness * self._tremor) + breath

    def settle_in(self) -> None:
        """Sit well in the restraint again: the operator has seen to it."""
        self.slip_degrees = 0.0

    def slip(self, step_degrees: float) -> None:
        """Slide in the restraint."""
        self.slip_degrees += step_degrees
