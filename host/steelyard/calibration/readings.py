"""What was observed during a calibration: load points, and the circumstances."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from steelyard.calibration.gravity import Gravity
from steelyard.calibration.in_service import InService, moment
from steelyard.calibration.weights import Air
from steelyard.errors import (
    CalibrationError,
    PoorFitError,
    ReadingsFileError,
    SaturatedReadingError,
    SpanTooSmallError,
    UnstableReadingError,
    WrongBoxError,
)

CONVERTER_LOW: Final = -(1 << 23)
CONVERTER_HIGH: Final = (1 << 23) - 1
"""Ends of a 24-bit converter's range: a mean close to them was cut off."""

NEAR_THE_END: Final = 0.995
RESTLESS: Final = 10.0
LEAST_RESTLESS_SHARE: Final = 1e-4
"""A standard error so many times the usual one, and more than this share of the span, is
movement and not noise (common practice, no source)."""

LEAST_SPAN_COUNTS: Final = 2000.0
"""Fewer counts between least and greatest load cannot give 0.1 % (common practice, no source)."""


class Direction(Enum):
    """How a load was reached.  The zero before a run is ``UP``, the zero return ``DOWN``."""

    UP = "up"
    DOWN = "down"


@dataclass(frozen=True)
class LoadPoint:
    """One steady reading under a known load.

    ``run`` counts from 1; ``mass_kg`` is the marked mass of everything that
    hangs (0 for zero); ``weights`` names the pieces, so that a piece used
    twice is known to be wrong twice in the same way; ``counts_mean`` and
    ``counts_standard_error`` come from ``sample_count`` samples.
    """

    run: int
    direction: Direction
    mass_kg: float
    counts_mean: float
    counts_standard_error: float
    sample_count: int
    weights: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        numbers = (self.mass_kg, self.counts_mean, self.counts_standard_error)
        if not all(math.isfinite(number) for number in numbers):
            raise ReadingsFileError(f"{self} holds a number that is none.", "Take it again.")
        if self.mass_kg < 0.0 or self.run < 1 or self.sample_count < 1:
            raise ReadingsFileError(
                f"Run {self.run}, {self.mass_kg:g} kg, {self.sample_count} samples cannot be.",
                "Runs count from 1, masses from 0 kg, samples from 1.",
            )
        if self.counts_standard_error < 0.0:
            raise ReadingsFileError(
                f"The standard error of the {self.describe()} is {self.counts_standard_error:g}.",
                "It is never negative.",
            )

    def describe(self) -> str:
        """The point in words, for messages."""
        return f"reading at {self.mass_kg:g} kg, run {self.run} {self.direction.value}"


@dataclass(frozen=True)
class Binding:
    """What a calibration belongs to: box, channel, sensor, amplifier gain, firmware.

    ``firmware`` (like ``1.4.2``) may be empty for not known.
    """

    box_id: str
    channel: int
    sensor_serial: str
    gain: int = 128
    firmware: str = ""

    @property
    def unnamed_sensor(self) -> str:
        """What is weak about a sensor without a serial number, and what to do; empty with one."""
        if self.sensor_serial:
            return ""
        return (
            f"The sensor of channel {self.channel} has no serial number in the box: another one "
            "put in its place would go unnoticed. Name it with `steelyard setting sensor_serial "
            f"SERIAL --channel {self.channel}`, then calibrate."
        )

    def require(self, present: Binding) -> None:
        """Raise WrongBoxError, naming every difference, unless ``present`` is the same.

        Firmware may differ in its last number, and is not compared where one
        side does not know it: its first two change when counts change meaning.
        """
        known = self.firmware and present.firmware
        pairs = (
            ("box", self.box_id, present.box_id),
            ("channel", self.channel, present.channel),
            ("sensor", self.sensor_serial, present.sensor_serial),
            ("gain", self.gain, present.gain),
            ("firmware", *((_series(self.firmware), _series(present.firmware)) if known else "  ")),
        )
        differences = [
            f"{name} {mine} (here: {theirs})" for name, mine, theirs in pairs if mine != theirs
        ]
        if differences:
            raise WrongBoxError(
                f"This calibration was made for {', '.join(differences)}.",
                "Use the calibration of this box and sensor, or calibrate again.",
            )


def _series(version: str) -> str:
    return ".".join(version.split(".")[:2])


@dataclass(frozen=True)
class Conditions:
    """Circumstances of a calibration that enter it or are kept with it.

    ``mass_bound_relative`` is the bound (rectangular) of the error of masses
    given without naming the weights; ``assumed_repeatability_relative`` is used
    where a single run leaves repeatability unknown (bound, relative to force);
    ``creep_bound_relative`` is the bound of creep from a creep test or the data
    sheet, and None has the zero return stand in for it; ``in_service`` bounds
    what happens afterwards.
    """

    gravity: Gravity = field(default_factory=Gravity.standard)
    air: Air = field(default_factory=Air)
    mass_bound_relative: float = 5e-4
    assumed_repeatability_relative: float = 1e-3
    creep_bound_relative: float | None = None
    in_service: InService = field(default_factory=InService)
    temperature_celsius: float | None = None
    taken_at: str = ""
    operator: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        bounds = ("mass_bound_relative", "assumed_repeatability_relative", "creep_bound_relative")
        for name in bounds:
            value = getattr(self, name)
            if value is not None and not 0.0 <= value < 0.1:
                raise CalibrationError(
                    f"{name} is {value:g}, which is no small share of the load.",
                    "0.0005 means half a gram in a kilogram.",
                )
        if self.taken_at:
            moment(self.taken_at)  # a date that is none would never fall due


def mean_and_standard_error(counts: Sequence[float], blocks: int = 12) -> tuple[float, float]:
    """Mean of readings and its standard error, by the spread of means of successive blocks.

    Neighbouring conversions are not independent (filter, hum, sway); block means
    nearly are.  With fewer than two readings per block each reading is a block.
    Two passes: counts far from zero do not cost digits (NIST StRD NumAcc4).
    Raises ReadingsFileError for fewer than two readings.
    """
    if len(counts) < 2:
        raise ReadingsFileError(f"{len(counts)} samples give no standard error.", "Take more.")
    mean = _mean(counts)
    if len(counts) < 2 * blocks:
        return mean, sample_sd(counts) / math.sqrt(len(counts))
    size = len(counts) // blocks
    means = [_mean(counts[start : start + size]) for start in range(0, size * blocks, size)]
    return mean, sample_sd(means) / math.sqrt(blocks)


def _mean(values: Sequence[float]) -> float:
    origin = values[0]
    return origin + math.fsum(value - origin for value in values) / len(values)


def sample_sd(values: Sequence[float]) -> float:
    """Standard deviation with n - 1, in two passes; needs two values or more."""
    mean = _mean(values)
    return math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))


def check_points(points: Sequence[LoadPoint]) -> None:
    """Refuse a set of points no curve should be put through, naming the point and the reason."""
    masses = sorted({point.mass_kg for point in points})
    if len(masses) < 3:
        raise PoorFitError(
            f"{len(points)} readings at {len(masses)} different loads cannot show whether the "
            "sensor is straight.",
            "Use zero and at least five loads, up and down, in two runs.",
        )
    for number, point in enumerate(points, start=1):
        if not CONVERTER_LOW * NEAR_THE_END < point.counts_mean < CONVERTER_HIGH * NEAR_THE_END:
            raise SaturatedReadingError(
                f"Point {number} ({point.describe()}) is at {point.counts_mean:.0f} counts, the "
                "end of the converter's range.",
                "Take weight off, lower the gain, or look for a broken wire.",
            )
    _check_span(points)
    _check_rest(points)
    numbered = list(enumerate(points, start=1))
    for run in sorted({point.run for point in points}):
        _check_run([(number, point) for number, point in numbered if point.run == run])


def _check_span(points: Sequence[LoadPoint]) -> None:
    counts = [point.counts_mean for point in points]
    span = max(counts) - min(counts)
    noise = max(point.counts_standard_error for point in points)
    if span < max(LEAST_SPAN_COUNTS, 100.0 * noise):
        raise SpanTooSmallError(
            f"All loads lie within {span:.0f} counts (standard error {noise:.1f}).",
            "Hang more mass; check that the load reaches the sensor and its four wires.",
        )


def _check_rest(points: Sequence[LoadPoint]) -> None:
    """A reading that scattered far more than the others was not taken at rest."""
    counts = [point.counts_mean for point in points]
    usual = statistics.median(point.counts_standard_error for point in points)
    limit = max(RESTLESS * usual, LEAST_RESTLESS_SHARE * (max(counts) - min(counts)))
    for number, point in enumerate(points, start=1):
        if point.counts_standard_error > limit:
            raise UnstableReadingError(
                f"Point {number} ({point.describe()}) moved while it was read: its standard error "
                f"is {point.counts_standard_error:.0f} counts, that of the others about "
                f"{usual:.0f}.",
                "Did a plate slip, or did the load swing? Let it hang still and take it again.",
            )


def _check_run(numbered: Sequence[tuple[int, LoadPoint]]) -> None:
    """Within a run masses must rise, then fall, and counts must follow them."""
    points = [point for _, point in numbered]
    rising = _overall_sign(points)
    for (_, before), (number, after) in itertools.pairwise(numbered):
        expected = 1 if after.direction is Direction.UP else -1
        step = after.mass_kg - before.mass_kg
        if step * expected < 0.0:
            raise PoorFitError(
                f"Point {number} ({after.describe()}) follows {before.mass_kg:g} kg, which is "
                f"{'more' if expected > 0 else 'less'}: {_order_reason(points)}.",
                "List the points in the order they were taken, up to the greatest load, then down.",
            )
        moved = (after.counts_mean - before.counts_mean) * rising
        if step != 0.0 and moved * expected <= 0.0:
            raise PoorFitError(
                f"Counts are not monotonic: they went {'back' if expected > 0 else 'on'} by "
                f"{abs(moved):.0f} from {before.mass_kg:g} kg to point {number} "
                f"({after.describe()}).",
                "Was a weight forgotten, or did something touch the load? Take this run again.",
            )


def _order_reason(points: Sequence[LoadPoint]) -> str:
    """Whether the whole run would be in order with the directions the other way round."""
    for before, after in itertools.pairwise(points):
        expected = -1 if after.direction is Direction.UP else 1
        if (after.mass_kg - before.mass_kg) * expected < 0.0:
            return (
                "one of the two masses is wrong, its direction is, or the points are out of order"
            )
    return "up and down look swapped"


def _overall_sign(points: Iterable[LoadPoint]) -> int:
    ordered = sorted(points, key=lambda point: point.mass_kg)
    return 1 if ordered[-1].counts_mean >= ordered[0].counts_mean else -1
