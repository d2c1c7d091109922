"""Local acceleration of free fall: the difference between kilograms and newtons.

Between the equator and 60° of latitude it changes by 0.4 %, more than a good
load cell is wrong, so a calibration states where it was made.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from steelyard.errors import CalibrationError

STANDARD_GRAVITY: Final = 9.80665
"""m/s², 3rd General Conference on Weights and Measures (1901)."""

ANOMALY_HALF_WIDTH: Final = 1.0e-3
"""m/s² (100 mGal): bound on what rock and relief add to the normal value, leaving out high
mountains.  Common practice, no source; a gravity survey or a national map gives better."""

WORLD_HALF_WIDTH: Final = 0.030
"""m/s²: the standard value differs from any value at sea level by less than this."""


@dataclass(frozen=True)
class Ellipsoid:
    """Constants of normal gravity; m/s² and metres."""

    name: str
    equator: float
    pole_factor: float
    eccentricity_squared: float
    semi_major_axis: float
    flattening: float
    centrifugal_ratio: float


GRS80: Final = Ellipsoid(
    "GRS80",
    9.7803267715,
    0.001931851353,
    0.0066943800229,
    6378137.0,
    1 / 298.257222101,
    0.00344978600308,
)
"""Moritz (2000), Geodetic Reference System 1980."""

WGS84: Final = Ellipsoid(
    "WGS84",
    9.7803253359,
    0.00193185265241,
    0.00669437999013,
    6378137.0,
    1 / 298.257223563,
    0.00344978650684,
)
"""NIMA TR8350.2, World Geodetic System 1984."""


def normal_gravity(
    latitude_degrees: float, height_metres: float = 0.0, ellipsoid: Ellipsoid = GRS80
) -> float:
    """Normal gravity in m/s² at a geodetic latitude and a height above the ellipsoid.

    On the ellipsoid by the closed formula of Somigliana; above it by the
    second-order series of GRS80 (Moritz), good to 1e-6 m/s² below 3 km.
    Raises CalibrationError for a place that is not on or near the ground.
    """
    if not (abs(latitude_degrees) <= 90.0 and -500.0 <= height_metres <= 9000.0):
        raise CalibrationError(
            f"Latitude {latitude_degrees:g}° with height {height_metres:g} m is no place to work.",
            "Latitude lies between -90 and 90 degrees, height between -500 and 9000 metres.",
        )
    sine_squared = math.sin(math.radians(latitude_degrees)) ** 2
    surface = (
        ellipsoid.equator
        * (1.0 + ellipsoid.pole_factor * sine_squared)
        / math.sqrt(1.0 - ellipsoid.eccentricity_squared * sine_squared)
    )
    f, m = ellipsoid.flattening, ellipsoid.centrifugal_ratio
    ratio = height_metres / ellipsoid.semi_major_axis
    fall_off = 2.0 * (1.0 + f + m - 2.0 * f * sine_squared) * ratio - 3.0 * ratio * ratio
    return surface * (1.0 - fall_off)


@dataclass(frozen=True)
class Gravity:
    """Acceleration of free fall at the bench, its standard uncertainty (m/s²) and its source."""

    value: float
    standard_uncertainty: float
    source: str

    def __post_init__(self) -> None:
        if not (9.7 < self.value < 9.9 and 0.0 <= self.standard_uncertainty < 0.1):
            raise CalibrationError(
                f"Gravity {self.value:g} ± {self.standard_uncertainty:g} m/s² is not found on "
                "the ground.",
                "It lies between 9.76 and 9.84; give the place by latitude if in doubt.",
            )

    @classmethod
    def at(
        cls, latitude_degrees: float, height_metres: float = 0.0, ellipsoid: Ellipsoid = GRS80
    ) -> Gravity:
        """Normal gravity of the place; local anomaly as a rectangular distribution."""
        return cls(
            normal_gravity(latitude_degrees, height_metres, ellipsoid),
            ANOMALY_HALF_WIDTH / math.sqrt(3.0),
            f"normal gravity {ellipsoid.name}, latitude {latitude_degrees:g}°, "
            f"height {height_metres:g} m",
        )

    @classmethod
    def entered(cls, value: float, standard_uncertainty: float) -> Gravity:
        """A value measured or looked up by the technician."""
        return cls(value, standard_uncertainty, "entered")

    @classmethod
    def standard(cls) -> Gravity:
        """The conventional value, for a place not stated: honest only with a wide margin."""
        return cls(
            STANDARD_GRAVITY, WORLD_HALF_WIDTH / math.sqrt(3.0), "standard, place not stated"
        )

    @property
    def relative_uncertainty(self) -> float:
        """Standard uncertainty over value."""
        return self.standard_uncertainty / self.value
