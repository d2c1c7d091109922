"""A force calibration as plain data, and back: the one place that knows the stored layout.

``SCHEMA_VERSION`` goes up when a key changes its meaning or goes away.  The
layout of a released version never changes, because hashes depend on it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from steelyard.calibration.applied import ForceModel
from steelyard.calibration.canonical_json import ID_KEY
from steelyard.calibration.creep_test import CreepTest
from steelyard.calibration.figures import Figure
from steelyard.calibration.gravity import Gravity
from steelyard.calibration.in_service import InService
from steelyard.calibration.readings import Binding, Conditions, Direction, LoadPoint
from steelyard.calibration.response_curve import ResponseCurve
from steelyard.calibration.weights import Air, Weight
from steelyard.errors import CalibrationError, CalibrationFileError

if TYPE_CHECKING:
    from steelyard.calibration.force_calibration import ForceCalibration

SCHEMA: Final = "steelyard force calibration"
SCHEMA_VERSION: Final = 2


def plain(calibration: ForceCalibration) -> dict[str, Any]:
    """The record as dicts, lists, numbers and text, without its id."""
    return {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "binding": dataclasses.asdict(calibration.binding),
        "conditions": dataclasses.asdict(calibration.conditions),
        "weights": [weight.as_plain() for weight in calibration.weights],
        "points": [_plain_point(point) for point in calibration.points],
        "model": dataclasses.asdict(calibration.model),
        "figures": [dataclasses.asdict(figure) for figure in calibration.figures],
        "remarks": list(calibration.remarks),
        "creep": None if calibration.creep is None else dataclasses.asdict(calibration.creep),
    }


def parts(content: dict[str, Any]) -> dict[str, Any]:
    """Arguments of ``ForceCalibration`` from stored content.

    Raises CalibrationFileError for a version or layout that is not known here.
    """
    require_schema(content, SCHEMA, SCHEMA_VERSION)
    with whole_or_refused(content):
        return {
            "binding": Binding(**content["binding"]),
            "conditions": _conditions(content["conditions"]),
            "weights": tuple(Weight(**weight) for weight in content["weights"]),
            "points": tuple(_point(point) for point in content["points"]),
            "model": _model(content["model"]),
            "figures": tuple(Figure(**figure) for figure in content["figures"]),
            "remarks": tuple(content["remarks"]),
            "creep": _creep(content["creep"]),
        }


def require_schema(content: dict[str, Any], schema: str, version: int) -> None:
    """Raise CalibrationFileError unless the content is of this kind and version."""
    found, number = content.get("schema"), content.get("schema_version")
    if found != schema or number != version:
        raise CalibrationFileError(
            f"Calibration {str(content.get(ID_KEY))[:12]} is a “{found}” of version {number}; "
            f"what was wanted is “{schema}” of version {version}.",
            "Use the right file, or a newer program.",
        )


@contextmanager
def whole_or_refused(content: dict[str, Any]) -> Iterator[None]:
    """Turn whatever a missing or misused part causes into a CalibrationFileError."""
    try:
        yield
    except (
        KeyError,
        TypeError,
        ValueError,
        OverflowError,
        AttributeError,
        CalibrationError,
    ) as error:
        raise CalibrationFileError(
            f"Calibration {str(content.get(ID_KEY))[:12]} is whole but lacks or misuses a part: "
            f"{error}.",
            "It was made by a program that does not keep to the layout; calibrate again.",
        ) from error


def _conditions(content: dict[str, Any]) -> Conditions:
    parts = {
        "gravity": Gravity(**content["gravity"]),
        "air": Air(**content["air"]),
        "in_service": InService(**content["in_service"]),
    }
    return Conditions(**{**content, **parts})


def _creep(content: dict[str, Any] | None) -> CreepTest | None:
    if content is None:
        return None
    held = tuple((float(seconds), float(counts)) for seconds, counts in content["held"])
    return CreepTest(content["load_counts"], held)


def _plain_point(point: LoadPoint) -> dict[str, Any]:
    return {
        **dataclasses.asdict(point),
        "direction": point.direction.value,
        "weights": list(point.weights),
    }


def _point(content: dict[str, Any]) -> LoadPoint:
    direction, weights = Direction(content["direction"]), tuple(content["weights"])
    return LoadPoint(**{**content, "direction": direction, "weights": weights})


def _model(content: dict[str, Any]) -> ForceModel:
    curve = dict(content["curve"])
    curve["coefficients"] = tuple(curve["coefficients"])
    changed = {
        "curve": ResponseCurve(**curve),
        "readings_covariance": _tuples(content["readings_covariance"]),
        "mass_covariance": _tuples(content["mass_covariance"]),
        "loop": _tuples(content["loop"]),
        "in_service": InService(**content["in_service"]),
    }
    return ForceModel(**{**content, **changed})


def _tuples(rows: list[list[float]]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in rows)
