"""From what was read at the bench to a calibration in force, the old one read as found before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from steelyard.calibration.agreement import DATA_SHEET_LIMIT, EXPECTED_LIMIT
from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.calibration.calibration_file import AnyCalibration
from steelyard.calibration.comparison import Comparison, compare
from steelyard.calibration.creep_test import CreepTest
from steelyard.calibration.force_calibration import calibrate_force
from steelyard.calibration.gravity import STANDARD_GRAVITY
from steelyard.calibration.history import Act
from steelyard.calibration.lever import LeverArm
from steelyard.calibration.quantity import LoadCalibration, quantity_of
from steelyard.calibration.readings import Binding, Conditions, LoadPoint
from steelyard.calibration.readings_file import ReadingsFile
from steelyard.calibration.readings_writer import save_readings
from steelyard.calibration.register import Register
from steelyard.calibration.torque_calibration import TorqueCalibration, calibrate_torque
from steelyard.calibration.weights import Weight
from steelyard.errors import CalibrationError


@dataclass(frozen=True)
class DataSheet:
    """What the maker promises of a load cell: its output at capacity.

    For weights that hang on the cell itself; a linkage between has a ratio of its own.
    """

    rated_output_mv_per_v: float
    capacity_kg: float

    def counts_per_newton(self, gain: int) -> float:
        """Of a converter that gives gain · ratio · 2²⁴ (HX711 data sheet)."""
        ratio = 1e-3 * self.rated_output_mv_per_v
        return gain * ratio * 2.0**24 / (self.capacity_kg * STANDARD_GRAVITY)


@dataclass(frozen=True)
class BenchReadings:
    """What was read, and everything needed to make a calibration of it."""

    binding: Binding
    points: tuple[LoadPoint, ...]
    conditions: Conditions
    weights: Mapping[str, Weight] = field(default_factory=dict)
    arm: LeverArm | None = None
    creep: CreepTest | None = None
    data_sheet: DataSheet | None = None


@dataclass(frozen=True)
class Replaced:
    """The calibration now in force, its file, and what the old one said if it was read."""

    calibration: LoadCalibration
    path: Path
    found: Comparison | None


def keep_readings(bench: BenchReadings, folder: Path) -> Path:
    """An hour of hanging weights must not be lost to a refusal: keep it before judging it."""
    stamp = bench.conditions.taken_at.replace(":", "")
    name = f"{bench.binding.box_id}-ch{bench.binding.channel}-{stamp}.readings.json"
    kept = ReadingsFile(
        bench.points, bench.weights, bench.conditions, bench.arm, bench.creep, bench.binding
    )
    return save_readings(kept, folder / name)


@contextmanager
def nothing_changes(before: AnyCalibration | None) -> Iterator[None]:
    """A refusal says which calibration stays in force."""
    try:
        yield
    except CalibrationError as error:
        stays = (
            "Nothing was stored."
            if before is None
            else f"Calibration {before.calibration_id[:12]} stays in force."
        )
        raise type(error)(error.what, f"{error.advice} {stays}") from error


def replace_calibration(
    register: Register,
    bench: BenchReadings,
    now: str,
    degree: int | None = None,
    no_as_found: str = "",
) -> Replaced:
    """Hold the readings against the calibration in force, make the new one, put it in force.

    ``now`` is ISO 8601.  ``no_as_found``: why the readings cannot be held against the old one.
    Raises CalibrationError, and then nothing has changed.
    """
    before = register.in_force()
    old = None if no_as_found else _readable(before, bench.binding)
    with nothing_changes(before):
        result = _made(bench, degree, old)
    found: Comparison | None = None
    who = bench.conditions.operator
    if old is not None and not isinstance(result, type(old)):
        no_as_found = no_as_found or "the quantity changed between force and torque"
    elif old is not None:
        found = compare(old, bench.points, bench.conditions, bench.weights)
        register.add(Act.AS_FOUND, now, who, old.calibration_id, found.as_plain())
    elif before is not None and not no_as_found:
        no_as_found = f"other sensor before: {before.binding.sensor_serial or 'unnamed'}"
    path = register.put_in_force(result, now, who, no_as_found)
    return Replaced(result, path, found)


def _readable(before: AnyCalibration | None, binding: Binding) -> LoadCalibration | None:
    """The calibration in force, where it is of the very sensor that was read now."""
    if before is None or isinstance(before, AngleCalibration):
        return None
    own = before.binding
    same = (own.sensor_serial, own.gain) == (binding.sensor_serial, binding.gain)
    return before if same else None


def _made(bench: BenchReadings, degree: int | None, old: LoadCalibration | None) -> LoadCalibration:
    """The new calibration; the old one says about what to expect."""
    expected, within = None, EXPECTED_LIMIT
    of_torque = bench.arm is not None
    if old is not None and isinstance(old, TorqueCalibration) is of_torque:
        expected = quantity_of(old).sensitivity
    elif bench.data_sheet is not None and not of_torque:
        expected = bench.data_sheet.counts_per_newton(bench.binding.gain)
        within = DATA_SHEET_LIMIT
    if bench.arm is not None:
        return calibrate_torque(
            bench.points,
            bench.arm,
            bench.conditions,
            bench.binding,
            weights=bench.weights,
            degree=degree,
            expected_counts_per_newton_metre=expected,
            creep=bench.creep,
        )
    return calibrate_force(
        bench.points,
        bench.conditions,
        bench.binding,
        weights=bench.weights,
        degree=degree,
        expected_counts_per_newton=expected,
        expected_within=within,
        creep=bench.creep,
    )
