"""Known weights: how heavy, how surely, and how hard they pull in air.

A weight's marked mass is *conventional* mass (OIML D 28): the mass of the
8000 kg/m³ steel that balances it in air of 1.2 kg/m³.  Its pull is
F = m g (1 - ρ_air/ρ) / (1 - ρ₀/ρ) · (1 - ρ₀/ρ_c), with ρ₀ = 1.2, ρ_c = 8000.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from steelyard.errors import CalibrationError

REFERENCE_AIR_DENSITY: Final = 1.2
REFERENCE_DENSITY: Final = 8000.0

R111_CLASSES: Final = ("E1", "E2", "F1", "F2", "M1", "M2", "M3")
R111_LIMITS_MG: Final[dict[float, tuple[float, ...]]] = {
    50.0: (25, 80, 250, 800, 2500, 8000, 25000),
    20.0: (10, 30, 100, 300, 1000, 3000, 10000),
    10.0: (5.0, 16, 50, 160, 500, 1600, 5000),
    5.0: (2.5, 8.0, 25, 80, 250, 800, 2500),
    2.0: (1.0, 3.0, 10, 30, 100, 300, 1000),
    1.0: (0.5, 1.6, 5.0, 16, 50, 160, 500),
    0.5: (0.25, 0.8, 2.5, 8.0, 25, 80, 250),
    0.2: (0.10, 0.3, 1.0, 3.0, 10, 30, 100),
    0.1: (0.05, 0.16, 0.5, 1.6, 5.0, 16, 50),
    0.05: (0.03, 0.10, 0.3, 1.0, 3.0, 10, 30),
    0.02: (0.025, 0.08, 0.25, 0.8, 2.5, 8.0, 25),
    0.01: (0.020, 0.06, 0.20, 0.6, 2.0, 6.0, 20),
    0.005: (0.016, 0.05, 0.16, 0.5, 1.6, 5.0, 16),
    0.002: (0.012, 0.04, 0.12, 0.4, 1.2, 4.0, 12),
    0.001: (0.010, 0.03, 0.10, 0.3, 1.0, 3.0, 10),
}
"""OIML R 111-1:2004, table 1: maximum permissible error in mg by nominal mass in kg."""


def permissible_error_kg(nominal_kg: float, oiml_class: str) -> float:
    """Maximum permissible error in kg of a weight of an OIML R 111 class.

    Raises CalibrationError for a class or a nominal mass the table does not hold.
    """
    column = _class_column(oiml_class)
    for nominal, limits in R111_LIMITS_MG.items():
        if math.isclose(nominal, nominal_kg, rel_tol=1e-9):
            return limits[column] * 1e-6
    raise CalibrationError(
        f"OIML R 111 gives no limit for a weight of {nominal_kg:g} kg.",
        "Its sizes are 1, 2 and 5 times a power of ten up to 50 kg; name each weight of a stack, "
        "or give the weight's own certificate.",
    )


def relative_permissible_error(oiml_class: str) -> float:
    """Error over nominal mass for the weights of a class from 100 g up, where it is constant.

    The table's largest ratio is taken: rounding makes 200 g and 20 kg of E2 a little better.
    Raises CalibrationError for an unknown class.
    """
    column = _class_column(oiml_class)
    return max(
        limits[column] * 1e-6 / nominal
        for nominal, limits in R111_LIMITS_MG.items()
        if nominal >= 0.1
    )


def _class_column(oiml_class: str) -> int:
    if oiml_class not in R111_CLASSES:
        raise CalibrationError(
            f"“{oiml_class}” is no class of OIML R 111.",
            f"The classes are {', '.join(R111_CLASSES)}.",
        )
    return R111_CLASSES.index(oiml_class)


@dataclass(frozen=True)
class Weight:
    """One piece: a test weight, a plate, a hanger.

    State how well its mass is known in exactly one way: ``oiml_class``; or
    ``mpe_kg`` (a bound, taken as rectangular); or ``certified_kg`` (its
    conventional mass by certificate or weighing) with ``expanded_kg`` and its
    ``coverage_factor``.  ``traceable`` is False for a plate weighed in house.
    """

    name: str
    nominal_kg: float
    oiml_class: str = ""
    mpe_kg: float = 0.0
    certified_kg: float = 0.0
    expanded_kg: float = 0.0
    coverage_factor: float = 2.0
    density_kg_m3: float = REFERENCE_DENSITY
    density_uncertainty_kg_m3: float = 140.0
    """Standard uncertainty of the density; the default is that R 111 gives for steel of
    unknown alloy (table B.7, from memory)."""
    traceable: bool = True
    certificate: str = ""
    """Number of its certificate, or the scale it was weighed on."""

    def __post_init__(self) -> None:
        if not (0.0 < self.nominal_kg <= 1000.0 and 500.0 <= self.density_kg_m3 <= 25000.0):
            raise CalibrationError(
                f"Weight {self.name!r}: {self.nominal_kg:g} kg of density "
                f"{self.density_kg_m3:g} kg/m³ cannot be.",
                "Mass in kg, up to 1000; density in kg/m³, 500 to 25000.",
            )
        stated = (bool(self.oiml_class), self.mpe_kg > 0.0, self.expanded_kg > 0.0)
        if sum(stated) != 1 or (self.certified_kg > 0.0) != (self.expanded_kg > 0.0):
            raise CalibrationError(
                f"Weight {self.name!r}: how well is its mass known?",
                "Give one of: its OIML class; a bound (mpe_kg); its certified mass together "
                "with the expanded uncertainty.",
            )
        if not (0.0 < self.coverage_factor < 100.0 and self.half_width_kg < self.nominal_kg):
            raise CalibrationError(
                f"Weight {self.name!r}: bound {self.mpe_kg:g} kg or coverage factor "
                f"{self.coverage_factor:g} cannot be.",
                "The bound is a small share of the mass; the coverage factor is about 2.",
            )
        if self.certified_kg > 0.0 and abs(self.certified_kg / self.nominal_kg - 1.0) > 0.1:
            raise CalibrationError(
                f"Weight {self.name!r}: certified {self.certified_kg:g} kg but marked "
                f"{self.nominal_kg:g} kg.",
                "More than a tenth apart: look for a slip of the pen or a wrong unit.",
            )

    @property
    def mass_kg(self) -> float:
        """Best estimate of its conventional mass in kg."""
        return self.certified_kg if self.certified_kg > 0.0 else self.nominal_kg

    @property
    def half_width_kg(self) -> float:
        """Bound of its error in kg, or 0 for a certified weight."""
        if self.oiml_class:
            return permissible_error_kg(self.nominal_kg, self.oiml_class)
        return self.mpe_kg

    @property
    def standard_uncertainty_kg(self) -> float:
        """MPE/√3 for a bound (rectangular, GUM 4.3.7), U/k for a certificate."""
        if self.expanded_kg > 0.0:
            return self.expanded_kg / self.coverage_factor
        return self.half_width_kg / math.sqrt(3.0)

    def as_plain(self) -> dict[str, Any]:
        """The weight as plain data, without what was left at its default."""
        fields = type(self).__dataclass_fields__
        return {
            name: getattr(self, name)
            for name, field in fields.items()
            if getattr(self, name) != field.default
        }


@dataclass(frozen=True)
class Air:
    """Air at the bench: density and its standard uncertainty, kg/m³.

    The default covers weather and any height below about 1000 m: rectangular
    from 1.05 to 1.25 kg/m³ would be narrower.
    """

    density: float = REFERENCE_AIR_DENSITY
    standard_uncertainty: float = 0.06

    def __post_init__(self) -> None:
        if not 0.5 <= self.density <= 1.5:
            raise CalibrationError(
                f"Air of {self.density:g} kg/m³ is not found on the ground.",
                "It is about 1.2 kg/m³ at sea level and 1.0 at 1800 m.",
            )


def pull_per_kilogram(
    gravity_m_s2: float, air_density: float, density_kg_m3: float = REFERENCE_DENSITY
) -> float:
    """Force in newtons of 1 kg of conventional mass hanging in air (OIML D 28, R 111)."""
    in_this_air = 1.0 - air_density / density_kg_m3
    in_reference_air = 1.0 - REFERENCE_AIR_DENSITY / density_kg_m3
    reference = 1.0 - REFERENCE_AIR_DENSITY / REFERENCE_DENSITY
    return gravity_m_s2 * in_this_air / in_reference_air * reference


def buoyancy_relative_uncertainty(weight_density: float, density_u: float, air: Air) -> float:
    """Relative standard uncertainty of the pull from the densities of air and weight.

    Partial derivatives of the formula above; densities in kg/m³.
    """
    by_air = air.standard_uncertainty / weight_density
    by_weight = (air.density - REFERENCE_AIR_DENSITY) / weight_density**2 * density_u
    return math.hypot(by_air, by_weight)
