"""Known positions of an arm as a file: CSV for the positions alone, JSON for everything.

CSV: a header line ``angle_degrees,counts_mean`` and one line for each position;
lines that start with ``#`` are ignored.

JSON: an object with ``positions`` (objects with the same names) and, if wished,
``counts_per_turn`` (0 for a potentiometer), ``conditions`` (fields of
``AngleConditions``) and ``box`` (fields of ``Binding``: the channel that was
read, which is then held against the one to be calibrated).
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from steelyard.calibration.angle_points import AngleConditions, AnglePoint
from steelyard.calibration.readings import Binding
from steelyard.calibration.readings_file import read_text
from steelyard.calibration.readings_parts import binding_of, number, object_with_list, only
from steelyard.calibration.table_rows import table_rows
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import CalibrationError, CalibrationFileError, ReadingsFileError

COLUMNS: Final = ("angle_degrees", "counts_mean")
TEXTS: Final = ("taken_at", "operator", "note")


@dataclass(frozen=True)
class PositionsFile:
    """What a file of positions holds; ``counts_per_turn`` None where it does not say."""

    points: tuple[AnglePoint, ...]
    counts_per_turn: int | None = None
    conditions: AngleConditions = field(default_factory=AngleConditions)
    binding: Binding | None = None


def read_positions(path: Path) -> PositionsFile:
    """Read a file of positions; ``.json`` is JSON, anything else CSV.

    Raises ReadingsFileError, naming the line or the position.
    """
    text = read_text(path)
    try:
        return _from_json(text) if path.suffix.lower() == ".json" else _from_csv(text)
    except CalibrationError as error:
        raise ReadingsFileError(f"{path}: {error.what}", error.advice) from error


def save_positions(positions: PositionsFile, path: Path) -> Path:
    """Write them as JSON that ``read_positions`` takes; gives the path.

    Raises CalibrationFileError when the disk refuses.
    """
    content: dict[str, Any] = {
        "positions": [dataclasses.asdict(point) for point in positions.points],
        "conditions": dataclasses.asdict(positions.conditions),
    }
    if positions.counts_per_turn is not None:
        content["counts_per_turn"] = positions.counts_per_turn
    if positions.binding is not None:
        content["box"] = dataclasses.asdict(positions.binding)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, json.dumps(content, indent=1).encode("utf-8"))
    except OSError as error:
        raise CalibrationFileError(
            f"The positions could not be written to {path}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error
    return path


def _from_csv(text: str) -> PositionsFile:
    (at, header), *rows = table_rows(text)
    if header != list(COLUMNS):
        raise ReadingsFileError(
            f"Line {at} is not the header of a list of positions.",
            f"Begin with “{','.join(COLUMNS)}”; angles in degrees.",
        )
    return PositionsFile(
        _points([(f"line {at}", dict(zip(COLUMNS, cells, strict=True))) for at, cells in rows])
    )


def _from_json(text: str) -> PositionsFile:
    content = object_with_list(text, "positions")
    only("the file", content, ("positions", "counts_per_turn", "conditions", "box"))
    rows = []
    for at, row in enumerate(content["positions"], start=1):
        where = f"position {at}"
        if not isinstance(row, dict):
            raise ReadingsFileError(f"{where} is not an object.", "Write its fields by name.")
        only(where, row, COLUMNS)
        rows.append((where, row))
    return PositionsFile(
        _points(rows), _turn_of(content), _conditions_of(content), binding_of(content)
    )


def _points(rows: Sequence[tuple[str, Mapping[str, Any]]]) -> tuple[AnglePoint, ...]:
    if not rows:
        raise ReadingsFileError("There is no position.", "Write one line for each.")
    points = []
    for where, row in rows:
        try:
            points.append(AnglePoint(*(number(where, name, row.get(name)) for name in COLUMNS)))
        except CalibrationError as error:
            if error.what.startswith(where):
                raise
            raise ReadingsFileError(f"{where}: {error.what}", error.advice) from error
    return tuple(points)


def _turn_of(content: Mapping[str, Any]) -> int | None:
    if "counts_per_turn" not in content:
        return None
    turn = number("the file", "counts_per_turn", content["counts_per_turn"])
    if not (turn.is_integer() and 0 <= turn < 1 << 30):
        raise ReadingsFileError(
            f"The file: counts_per_turn {turn:g} cannot be.",
            "It is a whole number: 4096 for a 12-bit encoder, 0 for a potentiometer.",
        )
    return int(turn)


def _conditions_of(content: Mapping[str, Any]) -> AngleConditions:
    given = content.get("conditions", {})
    if not isinstance(given, dict):
        raise ReadingsFileError("“conditions” is not an object.", "Write its fields by name.")
    only("conditions", given, tuple(AngleConditions.__dataclass_fields__))
    made: dict[str, Any] = {}
    for name, value in given.items():
        if name not in TEXTS:
            made[name] = number("conditions", name, value)
        elif isinstance(value, str):
            made[name] = value
        else:
            raise ReadingsFileError(f"conditions: {name} is no text.", "Put it in quotes.")
    checked = AngleConditions(**made)  # first: no rounding makes infinity a day
    return dataclasses.replace(checked, valid_days=round(checked.valid_days))
