"""Readings taken elsewhere, as a file: CSV for the points alone, JSON for everything.

CSV: a header line and one line for each point; lines that start with ``#`` are
ignored.  Columns ``run, direction, mass_kg, counts_mean,
counts_standard_error, sample_count`` and, if wished, ``weights`` with the
names joined by ``+``.

JSON: an object with ``points`` (objects with the same names; ``weights`` is a
list) and, if wished, ``weights`` (objects with the fields of ``Weight``),
``gravity`` (either ``latitude_degrees`` and ``height_metres``, or ``value`` and
``standard_uncertainty``) and ``conditions`` (fields of ``Conditions`` that are
plain numbers or texts), ``in_service`` (fields of ``InService``), ``arm``
(fields of ``LeverArm``, for weights hung on the movement arm), ``creep``
(``unloaded_counts`` and ``held``, a list of [seconds, counts]) and ``box``
(fields of ``Binding``: the channel that was read, which is then held against
the one to be calibrated).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from steelyard.calibration.creep_test import CreepTest
from steelyard.calibration.lever import LeverArm
from steelyard.calibration.readings import Binding, Conditions, Direction, LoadPoint
from steelyard.calibration.readings_parts import (
    PARTS,
    arm_of,
    binding_of,
    conditions_of,
    creep_of,
    number,
    object_with_list,
    only,
    weights_of,
)
from steelyard.calibration.table_rows import table_rows
from steelyard.calibration.weights import Weight
from steelyard.errors import CalibrationError, ReadingsFileError

REQUIRED: Final = (
    "run",
    "direction",
    "mass_kg",
    "counts_mean",
    "counts_standard_error",
    "sample_count",
)
COLUMNS: Final = (*REQUIRED, "weights")
LARGEST_BYTES: Final = 4_000_000


@dataclass(frozen=True)
class ReadingsFile:
    """What a file of readings holds."""

    points: tuple[LoadPoint, ...]
    weights: Mapping[str, Weight] = field(default_factory=dict)
    conditions: Conditions = field(default_factory=Conditions)
    arm: LeverArm | None = None
    creep: CreepTest | None = None
    binding: Binding | None = None


def read_readings(path: Path) -> ReadingsFile:
    """Read a file of readings; ``.json`` is JSON, anything else CSV.

    Raises ReadingsFileError, naming the line or the point.
    """
    text = read_text(path)
    try:
        return parse_json(text) if path.suffix.lower() == ".json" else parse_csv(text)
    except CalibrationError as error:
        raise type(error)(f"{path}: {error.what}", error.advice) from error


def read_text(path: Path) -> str:
    """Text of a small file.  Raises ReadingsFileError when it is none."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise ReadingsFileError(
            f"The readings {path} could not be read: {error.strerror or error}.", "Check the name."
        ) from error
    except UnicodeDecodeError as error:
        raise ReadingsFileError(
            f"{path} is not a text file (byte {error.start}).", "Save the table as CSV in UTF-8."
        ) from error
    if len(data) > LARGEST_BYTES:
        raise ReadingsFileError(
            f"{path} is larger than {LARGEST_BYTES} bytes.",
            "A list of readings is small; is this a recording?",
        )
    return text


def parse_csv(text: str) -> ReadingsFile:
    """Parse a CSV table of points.  Raises ReadingsFileError naming the line."""
    (at, header), *rows = table_rows(text)
    _check_columns(f"line {at}", header)
    points = []
    for at, cells in rows:
        row = dict(zip(header, cells, strict=True))
        names = tuple(name.strip() for name in row.get("weights", "").split("+") if name.strip())
        points.append(_point(f"line {at}", row, names))
    if not points:
        raise ReadingsFileError("There is a header but no reading.", "Write one line per point.")
    return ReadingsFile(tuple(points))


def parse_json(text: str) -> ReadingsFile:
    """Parse a JSON object of readings.  Raises ReadingsFileError naming the point or field."""
    content = object_with_list(text, "points")
    only("the file", content, ("points", *PARTS))
    points = []
    for at, row in enumerate(content["points"], start=1):
        where = f"point {at}"
        if not isinstance(row, dict):
            raise ReadingsFileError(f"{where} is not an object.", "Write its fields by name.")
        _check_columns(where, list(row))
        names = row.get("weights", [])
        if not (isinstance(names, list) and all(isinstance(name, str) for name in names)):
            raise ReadingsFileError(f"{where}: weights is no list of names.", 'Write ["A", "B"].')
        points.append(_point(where, row, tuple(names)))
    if not points:
        raise ReadingsFileError("The list of readings is empty.", "Write the points.")
    return ReadingsFile(
        tuple(points),
        weights_of(content),
        conditions_of(content),
        arm_of(content),
        creep_of(content),
        binding_of(content),
    )


def read_weights(path: Path) -> Mapping[str, Weight]:
    """Read a list of weights: JSON with ``weights`` as in a file of readings.

    Raises ReadingsFileError naming the weight.
    """
    try:
        content = json.loads(read_text(path))
    except (ValueError, RecursionError) as error:
        raise ReadingsFileError(f"{path} is not JSON: {error}.", "Check commas.") from error
    if not isinstance(content, dict) or "weights" not in content:
        raise ReadingsFileError(f"{path} has no list “weights”.", "Write {“weights”: [...]}.")
    only(str(path), content, ("weights",))
    return weights_of(content)


def _check_columns(where: str, names: list[str]) -> None:
    for name in names:
        if name not in COLUMNS:
            hint = "Masses are in kilograms." if name.startswith(("mass", "force", "load")) else ""
            raise ReadingsFileError(
                f"{where}: “{name}” is no column of a list of readings. {hint}".strip(),
                f"The columns are {', '.join(COLUMNS)}.",
            )
    if len(set(names)) < len(names):
        raise ReadingsFileError(f"{where}: a column appears twice.", "Name each column once.")
    missing = [name for name in REQUIRED if name not in names]
    if missing:
        raise ReadingsFileError(
            f"{where}: {', '.join(missing)} missing.", f"Needed are {', '.join(REQUIRED)}."
        )


def _point(where: str, row: Mapping[str, Any], weights: tuple[str, ...]) -> LoadPoint:
    direction = str(row["direction"]).strip().lower()
    if direction not in ("up", "down"):
        raise ReadingsFileError(
            f"{where}: direction “{row['direction']}” is neither up nor down.",
            "The zero before a run is up, the zero return down.",
        )
    try:
        return LoadPoint(
            _whole(where, "run", row["run"]),
            Direction(direction),
            number(where, "mass_kg", row["mass_kg"]),
            number(where, "counts_mean", row["counts_mean"]),
            number(where, "counts_standard_error", row["counts_standard_error"]),
            _whole(where, "sample_count", row["sample_count"]),
            weights,
        )
    except ReadingsFileError as error:
        if error.what.startswith(where):
            raise
        raise ReadingsFileError(f"{where}: {error.what}", error.advice) from error


def _whole(where: str, name: str, value: object) -> int:
    found = number(where, name, value)
    if not found.is_integer():
        raise ReadingsFileError(f"{where}: {name} {value} is no whole number.", "It counts things.")
    return int(found)
