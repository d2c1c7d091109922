"""A bench that exists only as numbers: load cell, weights and place with known truth.

Sizes of the errors are common practice for a good industrial load cell read by
a 24-bit converter (no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from steelyard.calibration import (
    Binding,
    Conditions,
    Direction,
    Gravity,
    LeverArm,
    LoadPoint,
    Weight,
)
from steelyard.calibration.weights import REFERENCE_DENSITY, pull_per_kilogram

BINDING = Binding("e66164084319a52c", 0, "LC-0042")


Lags = tuple[Any, Any]
"""How far the two lags of creep have come, in newtons, after 30 and 300 s."""
NOT_CREPT: Lags = (0.0, 0.0)


def held(crept: Lags, newtons: Any, seconds: Any) -> Lags:
    """The lags after a load has hung so long; one or n at once."""
    fast, slow = (
        newtons + (before - newtons) * np.exp(-seconds / lag)
        for before, lag in zip(crept, (30.0, 300.0), strict=True)
    )
    return fast, slow


def weight_set(count: int = 5, nominal_kg: float = 20.0, oiml_class: str = "M1") -> list[Weight]:
    return [
        Weight(chr(ord("A") + index), nominal_kg, oiml_class=oiml_class) for index in range(count)
    ]


@dataclass
class Bench:
    """One draw of a bench.  Everything that may be wrong is drawn from ``seed``."""

    seed: int
    weights: list[Weight] = field(default_factory=weight_set)
    runs: int = 3
    zero_counts: float = 41_000.0
    sensitivity_counts_per_newton: float = 812.5
    bend_relative: float = 0.0
    """Largest deviation from the straight line through the ends, as a share of the span."""
    loop_relative: float = 1.0e-4
    """Half the loop at mid range, as a share of the span."""
    run_slope_relative: float = 5e-5
    run_zero_counts: float = 15.0
    sample_noise_counts: float = 45.0
    drift_counts_per_reading: float = 1.0
    creep_relative: float = 1e-4
    """Final creep of a held load, a third of it after 30 s, the rest after 300 s."""
    seconds_per_reading: float = 30.0
    samples: int = 240
    arm: LeverArm = field(default_factory=lambda: LeverArm(0.3, 0.0005, 0.0, 0.5))
    taken_at: str = ""

    def __post_init__(self) -> None:
        self.random = np.random.default_rng(self.seed)
        self.conditions = Conditions(gravity=Gravity.at(52.0, 30.0), taken_at=self.taken_at)
        anomaly = self.random.uniform(-1.0, 1.0) * 1.0e-3
        self.true_gravity = self.conditions.gravity.value + anomaly
        self.true_air = self.random.normal(1.2, 0.06)
        self.true_masses = {
            weight.name: weight.nominal_kg + self.random.uniform(-1.0, 1.0) * weight.half_width_kg
            for weight in self.weights
        }
        angle = self.random.normal(self.arm.angle_degrees, self.arm.angle_uncertainty_degrees)
        length = self.random.normal(self.arm.length_metres, self.arm.length_uncertainty_metres)
        self.true_arm_metres = length * math.cos(math.radians(angle))
        self.loop_sign = self.random.choice([-1.0, 1.0])

    @property
    def by_name(self) -> dict[str, Weight]:
        return {weight.name: weight for weight in self.weights}

    @property
    def full_newtons(self) -> float:
        return self.true_newtons(tuple(self.by_name))

    def true_newtons(self, names: tuple[str, ...]) -> float:
        density = self.random.normal(REFERENCE_DENSITY, 70.0)
        pull = pull_per_kilogram(self.true_gravity, self.true_air, density)
        return math.fsum(self.true_masses[name] for name in names) * pull

    def true_counts(self, newtons: float) -> float:
        """Response of the cell in the middle of its loop, at its own zero."""
        nominal_full = sum(weight.nominal_kg for weight in self.weights) * 9.81
        x = newtons / nominal_full
        bent = newtons + self.bend_relative * 4.0 * x * (1.0 - x) * nominal_full
        return self.zero_counts + self.sensitivity_counts_per_newton * bent

    def occasion(self, count: int | None = None) -> tuple[Any, Any]:
        """Slope deviation (relative) and zero (counts) of one run or visit, or of ``count``."""
        return (
            self.random.normal(0.0, self.run_slope_relative, count),
            self.random.normal(0.0, self.run_zero_counts, count),
        )

    def later(self, age_days: float, count: int | None = None) -> tuple[Any, Any]:
        """An ``occasion`` on a later day: time, temperature and mounting have done their part."""
        bounds = self.conditions.in_service
        slope, zero = self.occasion(count)

        def within(bound: float) -> Any:
            return bound * self.random.uniform(-1.0, 1.0, count)

        warmth = within(bounds.temperature_half_range_kelvin)
        slope += warmth * within(bounds.sensitivity_per_kelvin_relative)
        slope += within(bounds.drift_relative(age_days))
        slope += within(bounds.side_load_relative)
        shift = warmth * within(bounds.zero_per_kelvin_relative)
        span = sum(weight.nominal_kg for weight in self.weights) * 9.81
        return slope, zero + shift * span * self.sensitivity_counts_per_newton

    def crept_counts(self, crept: Lags) -> Any:
        """What creep adds to a reading."""
        fast, slow = crept
        share = self.creep_relative * (fast + 2.0 * slow) / 3.0
        return share * self.sensitivity_counts_per_newton

    def counts(self, newtons: float, rising: Any, occasion: tuple[Any, Any]) -> Any:
        """What the cell gives, noise aside, on one occasion, on one side of the loop.

        One occasion, or n at once as arrays.
        """
        nominal_full = sum(weight.nominal_kg for weight in self.weights) * 9.81
        x = newtons / nominal_full
        half = self.loop_relative * nominal_full * self.sensitivity_counts_per_newton
        loop = half * 4.0 * x * (1.0 - x) * self.loop_sign * np.where(rising, 1.0, -1.0)
        slope, zero = occasion
        stretched = self.zero_counts + (self.true_counts(newtons) - self.zero_counts) * (1 + slope)
        return stretched + zero + loop

    def points(self) -> list[LoadPoint]:
        names = [weight.name for weight in self.weights]
        loads = [tuple(names[:count]) for count in range(len(names) + 1)]
        taken: list[LoadPoint] = []
        for run in range(1, self.runs + 1):
            occasion = self.occasion()
            series = [(Direction.UP, load) for load in loads]
            series += [(Direction.DOWN, load) for load in reversed(loads[:-1])]
            crept = NOT_CREPT
            for order, (direction, load) in enumerate(series):
                newtons = self.true_newtons(load)
                crept = held(crept, newtons, self.seconds_per_reading)
                counts = self.counts(newtons, direction is Direction.UP, occasion)
                counts += self.crept_counts(crept)
                taken.append(self._point(run, direction, load, counts, order))
        return taken

    def _point(
        self, run: int, direction: Direction, load: tuple[str, ...], counts: float, order: int
    ) -> LoadPoint:
        error = self.sample_noise_counts / math.sqrt(self.samples)
        counts += self.random.normal(0.0, error) + self.drift_counts_per_reading * order
        mass = sum(self.by_name[name].nominal_kg for name in load)
        return LoadPoint(run, direction, mass, counts, error, self.samples, load)
