"""Whether the weight found for a client can be that of a trunk or a head: a warning, no more.

Mass fractions and centres of mass: Winter, Biomechanics and Motor Control of
Human Movement (after Dempster 1955), Table 4.1; de Leva 1996, J Biomech
29(9):1223-1230.  Lengths as shares of stature (trunk from hip to shoulder
0.288, head with neck 0.14) are from memory, after Drillis and Contini 1966 and
de Leva.  Both tables are means of few bodies, and where the axis of a machine
meets the spine differs: the window is wide on purpose (common practice, no
source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from steelyard.strength.machine_profile import STANDARD_GRAVITY, Joint
from steelyard.strength.measured import Measured, Statement


@dataclass(frozen=True)
class SegmentWindow:
    """Mass as shares of body mass, distance of its centre from the axis as shares of stature."""

    mass_fractions: tuple[float, float]
    centre_fractions: tuple[float, float]
    source: str


WINDOWS: Final = {
    Joint.LUMBAR: SegmentWindow(
        # trunk, head and neck; with both arms (Winter)
        mass_fractions=(0.578, 0.678),
        # 0.66 of hip to shoulder is 0.19 from the hip; the axis lies up to 0.09 above it
        centre_fractions=(0.10, 0.19),
        source="Winter, Table 4.1",
    ),
    Joint.CERVICAL: SegmentWindow(
        # head (de Leva, women); head and neck (Winter)
        mass_fractions=(0.0668, 0.081),
        # half of the head's and neck's 0.14; up to two thirds for a low axis
        centre_fractions=(0.05, 0.10),
        source="de Leva 1996; Winter, Table 4.1",
    ),
}


def expected_moment_nm(
    joint: Joint, body_mass_kg: float, stature_metres: float
) -> tuple[float, float]:
    """Smallest and largest m g d in N·m that the tables make likely."""
    window = WINDOWS[joint]
    low, high = (
        mass * body_mass_kg * STANDARD_GRAVITY * centre * stature_metres
        for mass, centre in zip(window.mass_fractions, window.centre_fractions, strict=True)
    )
    return low, high


def check_segment(
    joint: Joint, found: Measured, body_mass_kg: float, stature_metres: float
) -> Statement | None:
    """Say so when the client's moment lies outside what the tables make likely, U included."""
    low, high = expected_moment_nm(joint, body_mass_kg, stature_metres)
    margin = found.expanded_uncertainty
    if low - margin <= found.value <= high + margin:
        return None
    return Statement(
        "segment-unlikely",
        f"The weight found, {found.text()}, is not what tables give for {body_mass_kg:g} kg and "
        f"{stature_metres:g} m ({low:.0f} to {high:.0f} N·m; {WINDOWS[joint].source}). Was the "
        "client relaxed, and is the crank's setting right?",
    )
