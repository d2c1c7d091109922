"""An angle calibration as plain data, and back; see ``record_content`` for the rules."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any, Final

from steelyard.calibration.angle_points import AngleConditions, AnglePoint
from steelyard.calibration.readings import Binding
from steelyard.calibration.record_content import require_schema, whole_or_refused

if TYPE_CHECKING:
    from steelyard.calibration.angle_calibration import AngleCalibration

SCHEMA: Final = "steelyard angle calibration"
SCHEMA_VERSION: Final = 1


def plain(calibration: AngleCalibration) -> dict[str, Any]:
    """The record as dicts, lists, numbers and text, without its id."""
    content = dataclasses.asdict(calibration)
    return {"schema": SCHEMA, "schema_version": SCHEMA_VERSION, **content}


def parts(content: dict[str, Any]) -> dict[str, Any]:
    """Arguments of ``AngleCalibration`` from stored content.

    Raises CalibrationFileError for a version or layout that is not known here.
    """
    require_schema(content, SCHEMA, SCHEMA_VERSION)
    with whole_or_refused(content):
        left_out = ("schema", "schema_version", "calibration_id")
        rest = {key: value for key, value in content.items() if key not in left_out}
        table = tuple((float(counts), float(degrees)) for counts, degrees in content["table"])
        return {
            **rest,
            "binding": Binding(**content["binding"]),
            "coefficients": tuple(content["coefficients"]),
            "covariance": tuple(tuple(row) for row in content["covariance"]),
            "points": tuple(AnglePoint(**point) for point in content["points"]),
            "conditions": AngleConditions(**content["conditions"]),
            "table": table,
        }
