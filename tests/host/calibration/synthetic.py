"""A bench that exists only as numbers: load cell, weights and place with known truth.

Sizes of the errors are common practice for a good industrial load cell read by
a 24-bit converter (no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from steelyard.calibration import (
    Binding,
    Conditions,
    Direction,
    Gravity,
    LeverArm,
    LoadPoint,
    Weight,
    Zeroing,
)
from steelyard.calibration.quantity import LoadCalibration
from steelyard.calibration.weights import REFERENCE_DENSITY, pull_per_kilogram

BINDING = Binding("e66164084319a52c", 0, "LC-0042")


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

    def occasion(self) -> tuple[float, float]:
        """Slope deviation (relative) and zero (counts) of one run or visit."""
        return (
            self.random.normal(0.0, self.run_slope_relative),
            self.random.normal(0.0, self.run_zero_counts),
        )

    def later(self, age_days: float) -> tuple[float, float]:
        """An ``occasion`` on a later day: time, temperature and mounting have done their part."""
        bounds, random = self.conditions.in_service, self.random
        slope, zero = self.occasion()
        warmth = random.uniform(-1.0, 1.0) * bounds.temperature_half_range_kelvin
        slope += warmth * random.uniform(-1.0, 1.0) * bounds.sensitivity_per_kelvin_relative
        slope += random.uniform(-1.0, 1.0) * bounds.drift_relative(age_days)
        slope += random.uniform(-1.0, 1.0) * bounds.side_load_relative
        shift = warmth * random.uniform(-1.0, 1.0) * bounds.zero_per_kelvin_relative
        span = sum(weight.nominal_kg for weight in self.weights) * 9.81
        return slope, zero + shift * span * self.sensitivity_counts_per_newton

    def fresh(
        self,
        newtons: float,
        age_days: float,
        averaged: bool,
        zeroed_for: LoadCalibration | None,
    ) -> tuple[float, Zeroing | None]:
        """A reading on a later day, and the zero taken before it where one is.

        Whatever load there was before, it had hung for up to ten minutes; so has this
        one.  One sample, or with ``averaged`` a mean of standard error 3 counts.
        """
        occasion, random, zero = self.later(age_days), self.random, None
        crept = self._held((0.0, 0.0), random.uniform(0.0, 1.0) * self.full_newtons)
        if zeroed_for is not None:
            crept = self._held(crept, 0.0)
            unloaded = self._crept(self.counts(0.0, True, occasion), crept)
            zero = zeroed_for.take_zero(unloaded + random.normal(0.0, 3.0), 3.0, "today")
            crept = self._held(crept, random.uniform(0.0, 1.0) * self.full_newtons)
        counts = self.counts(newtons, bool(random.integers(2)), occasion)
        counts = self._crept(counts, self._held(crept, newtons))
        return counts + random.normal(0.0, 3.0 if averaged else self.sample_noise_counts), zero

    def _held(
        self, crept: tuple[float, float], newtons: float, seconds: float | None = None
    ) -> tuple[float, float]:
        """How far creep's two lags have come after a load has hung; 2 to 600 s if not said."""
        held = self.random.uniform(2.0, 600.0) if seconds is None else seconds
        fast, slow = (
            newtons + (before - newtons) * math.exp(-held / lag)
            for before, lag in zip(crept, (30.0, 300.0), strict=True)
        )
        return fast, slow

    def _crept(self, counts: float, crept: tuple[float, float]) -> float:
        fast, slow = crept
        share = self.creep_relative * (fast + 2.0 * slow) / 3.0
        return counts + share * self.sensitivity_counts_per_newton

    def counts(self, newtons: float, rising: bool, occasion: tuple[float, float]) -> float:
        """What the cell gives, noise aside, on one occasion, on one side of the loop."""
        nominal_full = sum(weight.nominal_kg for weight in self.weights) * 9.81
        x = newtons / nominal_full
        half = self.loop_relative * nominal_full * self.sensitivity_counts_per_newton
        loop = half * 4.0 * x * (1.0 - x) * self.loop_sign * (1.0 if rising else -1.0)
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
            crept = (0.0, 0.0)
            for order, (direction, load) in enumerate(series):
                newtons = self.true_newtons(load)
                crept = self._held(crept, newtons, self.seconds_per_reading)
                counts = self._crept(
                    self.counts(newtons, direction is Direction.UP, occasion), crept
                )
                taken.append(self._point(run, direction, load, counts, order))
        return taken

    def _point(
        self, run: int, direction: Direction, load: tuple[str, ...], counts: float, order: int
    ) -> LoadPoint:
        error = self.sample_noise_counts / math.sqrt(self.samples)
        counts += self.random.normal(0.0, error) + self.drift_counts_per_reading * order
        mass = sum(self.by_name[name].nominal_kg for name in load)
        return LoadPoint(run, direction, mass, counts, error, self.samples, load)
