"""Readings taken elsewhere, as a file: CSV for the points alone, JSON for everything.

CSV: a header line and one line for each point; lines that start with ``#`` are
ignored.  Columns ``run, direction, mass_kg, counts_mean,
counts_standard_error, sample_count`` and, if wished, ``weights`` with the
names joined by ``+``.

JSON: an object with ``points`` (objects with the same names; ``weights`` is a
list) and, if wished, ``weights`` (objects with the fields of ``Weight``),
``gravity`` (either ``latitude_degrees`` and ``height_metres``, or ``value`` and
``standard_uncertainty``) and ``conditions`` (fields of ``Conditions`` that are
plain numbers or texts).
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Final

from steelyard.calibration.gravity import Gravity
from steelyard.calibration.readings import Conditions, Direction, LoadPoint
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
PLAIN_CONDITIONS: Final = (
    "mass_bound_relative",
    "assumed_repeatability_relative",
    "creep_bound_relative",
    "temperature_celsius",
    "taken_at",
    "operator",
    "note",
)
LARGEST_BYTES: Final = 4_000_000


@dataclass(frozen=True)
class ReadingsFile:
    """What a file of readings holds."""

    points: tuple[LoadPoint, ...]
    weights: Mapping[str, Weight] = field(default_factory=dict)
    conditions: Conditions = field(default_factory=Conditions)


def read_readings(path: Path) -> ReadingsFile:
    """Read a file of readings; ``.json`` is JSON, anything else CSV.

    Raises ReadingsFileError, naming the line or the point.
    """
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
    return parse_json(text) if path.suffix.lower() == ".json" else parse_csv(text)


def parse_csv(text: str) -> ReadingsFile:
    """Parse a CSV table of points.  Raises ReadingsFileError naming the line."""
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise ReadingsFileError("The list of readings is empty.", "Write a header and the points.")
    rows = list(_cells(lines))
    number, header = rows[0]
    header = [name.strip() for name in header]
    _check_columns(f"line {number}", header)
    points = []
    for number, cells in rows[1:]:
        if len(cells) != len(header):
            raise ReadingsFileError(
                f"Line {number} has {len(cells)} cells, the header {len(header)}.",
                "Use a point as decimal sign and a comma between cells.",
            )
        row = dict(zip(header, (cell.strip() for cell in cells), strict=True))
        names = tuple(name.strip() for name in row.get("weights", "").split("+") if name.strip())
        points.append(_point(f"line {number}", row, names))
    if not points:
        raise ReadingsFileError("There is a header but no reading.", "Write one line per point.")
    return ReadingsFile(tuple(points))


def _cells(lines: list[tuple[int, str]]) -> Iterator[tuple[int, list[str]]]:
    for number, line in lines:
        try:
            yield number, next(csv.reader([line], strict=True))
        except csv.Error as error:
            raise ReadingsFileError(
                f"Line {number} is no CSV: {error}.", "Look for a quotation mark left open."
            ) from error


def parse_json(text: str) -> ReadingsFile:
    """Parse a JSON object of readings.  Raises ReadingsFileError naming the point or field."""
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ReadingsFileError(
            f"This is not JSON: {error}.", "Check commas and quotes."
        ) from error
    if not isinstance(content, dict) or not isinstance(content.get("points"), list):
        raise ReadingsFileError(
            "The file has no list called “points”.", "Write {“points”: [...], ...}."
        )
    _only("the file", content, ("points", "weights", "gravity", "conditions"))
    points = []
    for number, row in enumerate(content["points"], start=1):
        where = f"point {number}"
        if not isinstance(row, dict):
            raise ReadingsFileError(f"{where} is not an object.", "Write its fields by name.")
        _check_columns(where, list(row))
        names = row.get("weights", [])
        if not (isinstance(names, list) and all(isinstance(name, str) for name in names)):
            raise ReadingsFileError(f"{where}: weights is no list of names.", 'Write ["A", "B"].')
        points.append(_point(where, row, tuple(names)))
    if not points:
        raise ReadingsFileError("The list of readings is empty.", "Write the points.")
    weights = [_weight(entry) for entry in _list(content, "weights")]
    if len({weight.name for weight in weights}) < len(weights):
        raise ReadingsFileError("Two weights have one name.", "Name each piece differently.")
    return ReadingsFile(
        tuple(points), {weight.name: weight for weight in weights}, _conditions(content)
    )


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
            _number(where, "mass_kg", row["mass_kg"]),
            _number(where, "counts_mean", row["counts_mean"]),
            _number(where, "counts_standard_error", row["counts_standard_error"]),
            _whole(where, "sample_count", row["sample_count"]),
            weights,
        )
    except ReadingsFileError as error:
        if error.what.startswith(where):
            raise
        raise ReadingsFileError(f"{where}: {error.what}", error.advice) from error


def _number(where: str, name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ReadingsFileError(f"{where}: {name} is no number.", "Write it in digits.")
    try:
        return float(value)
    except (ValueError, OverflowError) as error:
        raise ReadingsFileError(
            f"{where}: {name} “{value}” is no number.", "Write digits and a decimal point, no unit."
        ) from error


def _whole(where: str, name: str, value: object) -> int:
    number = _number(where, name, value)
    if not number.is_integer():
        raise ReadingsFileError(f"{where}: {name} {value} is no whole number.", "It counts things.")
    return int(number)


def _weight(entry: object) -> Weight:
    if not isinstance(entry, dict):
        raise ReadingsFileError("A weight is not an object.", "Write its fields by name.")
    where = f"weight {entry.get('name', '?')!r}"
    _only(where, entry, tuple(item.name for item in fields(Weight)))
    try:
        return Weight(**entry)
    except TypeError as error:
        raise ReadingsFileError(
            f"{where}: a field is missing or of the wrong kind.",
            "Needed are name, nominal_kg, and class, bound or certificate.",
        ) from error
    except CalibrationError as error:
        raise ReadingsFileError(error.what, error.advice) from error


def _conditions(content: Mapping[str, Any]) -> Conditions:
    given = content.get("conditions", {})
    if not isinstance(given, dict):
        raise ReadingsFileError("“conditions” is not an object.", "Write its fields by name.")
    _only("conditions", given, PLAIN_CONDITIONS)
    checked: dict[str, Any] = {}
    for name, value in given.items():
        if name not in ("taken_at", "operator", "note"):
            checked[name] = _number("conditions", name, value)
        elif isinstance(value, str):
            checked[name] = value
        else:
            raise ReadingsFileError(f"conditions: {name} is no text.", "Put it in quotes.")
    try:
        return Conditions(gravity=_gravity(content.get("gravity")), **checked)
    except CalibrationError as error:
        raise ReadingsFileError(error.what, error.advice) from error


def _gravity(given: object) -> Gravity:
    if given is None:
        return Gravity.standard()
    if not isinstance(given, dict):
        raise ReadingsFileError("“gravity” is not an object.", "Write latitude_degrees, or value.")
    numbers = {name: _number("gravity", name, value) for name, value in given.items()}
    try:
        if set(numbers) <= {"latitude_degrees", "height_metres"} and "latitude_degrees" in numbers:
            return Gravity.at(numbers["latitude_degrees"], numbers.get("height_metres", 0.0))
        if set(numbers) == {"value", "standard_uncertainty"}:
            return Gravity.entered(numbers["value"], numbers["standard_uncertainty"])
    except CalibrationError as error:
        raise ReadingsFileError(error.what, error.advice) from error
    raise ReadingsFileError(
        f"“gravity” holds {', '.join(numbers) or 'nothing'}.",
        "Give latitude_degrees (and height_metres), or value and standard_uncertainty.",
    )


def _list(content: Mapping[str, Any], name: str) -> list[object]:
    value = content.get(name, [])
    if not isinstance(value, list):
        raise ReadingsFileError(f"“{name}” is not a list.", "Write [...].")
    return value


def _only(where: str, given: Mapping[str, Any], known: tuple[str, ...]) -> None:
    unknown = [name for name in given if name not in known]
    if unknown:
        raise ReadingsFileError(
            f"{where}: {', '.join(unknown)} not known.", f"Known are {', '.join(known)}."
        )
