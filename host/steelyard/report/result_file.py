"""The figures of a session as a file: canonical JSON that cannot be changed unnoticed.

It holds everything needed to make the figures again but the recording and its
calibrations, which it names by SHA-256: see ``recompute``.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from steelyard.calibration.canonical_json import canonical_text
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import ReportError, ResultFileError
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.strength.analysis_lines import plain
from steelyard.strength.balance import BalanceFit
from steelyard.strength.isometric import IsometricTest, Station
from steelyard.strength.set_summary import SetSummary
from steelyard.strength.torque_curve import TorqueCurve

SCHEMA: Final = "steelyard session result"
SCHEMA_VERSION: Final = 1
SUFFIX: Final = ".result.json"
ID_KEY: Final = "result_id"
LARGEST_BYTES: Final = 20_000_000


@dataclass(frozen=True)
class StoredResult:
    """A result as it was read; ``intact`` False: something in it was changed since it was made."""

    content: dict[str, Any]
    intact: bool
    path: Path

    @property
    def result_id(self) -> str:
        """What it calls itself."""
        return str(self.content.get(ID_KEY, ""))


def result_content(analysis: RecordedAnalysis) -> dict[str, Any]:
    """Everything found, what it came from, and its own id."""
    chosen = analysis.chosen_profile
    content = {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "provenance": plain(analysis.provenance),
        "profile": json.loads(chosen.text) if chosen else None,
        "sheet": analysis.sheet.content(),
        "joint": analysis.profile.joint.value if analysis.profile else None,
        **figures(analysis),
    }
    return {**content, ID_KEY: id_of(content)}


def figures(analysis: RecordedAnalysis) -> dict[str, Any]:
    """The part of a result that recomputing has to reproduce."""
    found = analysis.found
    return {
        "analysis": plain(found),
        "summary": {
            "measured": analysis.measured,
            "balance": None if found.balance is None else _balance(found.balance),
            "tests": [
                _test(test, curve)
                for test, curve in zip(found.tests, found.curves, strict=True)
            ],
            "sets": [_set(one) for one in found.sets],
        },
    }  # fmt: skip


def id_of(content: dict[str, Any]) -> str:
    """SHA-256, in hexadecimal, of a result without its own id."""
    rest = {key: value for key, value in content.items() if key != ID_KEY}
    return hashlib.sha256(canonical_text(rest).encode("ascii")).hexdigest()


def save_result(content: dict[str, Any], path: Path) -> None:
    """Write a result whole or not at all.  Raises ReportError when the disk refuses."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, canonical_text(content).encode("ascii"))
    except OSError as error:
        raise ReportError(
            f"The result could not be written to {path}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error


def load_result(path: Path) -> StoredResult:
    """Read a result.  Raises ResultFileError when it is none, or of a version not known here."""
    try:
        with path.open("rb") as file:
            text = file.read(LARGEST_BYTES).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ResultFileError(f"{path} could not be read: {error}.", "Check the name.") from error
    return parsed_result(text, path)


def parsed_result(text: str, path: Path) -> StoredResult:
    """A result from its text.  Raises ResultFileError."""
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ResultFileError(
            f"{path} is no session result: {error}.", f"Results end with {SUFFIX}."
        ) from error
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise ResultFileError(
            f"{path} is no session result: its schema is not “{SCHEMA}”.",
            f"Results end with {SUFFIX}.",
        )
    if content.get("schema_version") != SCHEMA_VERSION:
        raise ResultFileError(
            f"{path} is of version {content.get('schema_version')}, which is not known here.",
            "Use a newer program.",
        )
    for name in ("provenance", "analysis", "summary", "sheet"):
        if not isinstance(content.get(name), dict):
            raise ResultFileError(
                f"{path} lacks its “{name}”.", "Use an untouched copy, or make the report again."
            )
    return StoredResult(content, content.get(ID_KEY) == id_of(content), path)


def _balance(fit: BalanceFit) -> dict[str, Any]:
    at, worst = fit.worst()
    return {
        "worst_at_degrees": at,
        "worst": plain(worst),
        "amplitude": plain(fit.amplitude),
        "top_degrees": plain(fit.top_degrees),
    }


def _test(test: IsometricTest, curve: TorqueCurve | None) -> dict[str, Any]:
    return {
        "stations": [_station(one) for one in test.stations],
        "curve": None
        if curve is None
        else {
            "low_degrees": curve.low_degrees,
            "high_degrees": curve.high_degrees,
            "area": plain(curve.area()),
            "flexed_to_extended": plain(curve.flexed_to_extended()),
        },
    }


def _station(station: Station) -> dict[str, Any]:
    best = station.best
    return {
        "degrees": station.degrees,
        "efforts": len(station.efforts),
        "valid": sum(one.valid for one in station.efforts),
        "peak": plain(best.peak) if best is not None else None,
        "common_standard_uncertainty": best.common_standard_uncertainty if best else None,
    }


def _set(one: SetSummary) -> dict[str, Any]:
    return {
        "repetitions": one.count,
        "faulty": sum(bool(each.findings) for each in one.repetitions),
        "work": plain(one.work),
        "seconds_under_load": one.seconds_under_load,
    }
