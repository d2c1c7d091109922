"""One visit's strength as plain values: what comparing visits needs, from wherever it is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from steelyard.errors import ResultFileError
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.report.result_file import StoredResult
from steelyard.strength.machine_profile import Joint
from steelyard.strength.torque_curve import CurvePoint, TorqueCurve


@dataclass(frozen=True)
class TestedVisit:
    """The first isometric test of a visit: its best valid effort at each station.

    ``recorded_at`` is ISO 8601 in UTC.  Points run from the extended to the flexed end; a
    station without a valid effort has none.
    """

    __test__ = False  # not a test case, whatever its name

    recording_id: str
    recorded_at: str
    client_code: str
    machine: str
    joint: Joint
    points: tuple[CurvePoint, ...]

    @property
    def curve(self) -> TorqueCurve | None:
        """The torque-angle curve; None with fewer than two points."""
        return TorqueCurve(self.points) if len(self.points) >= 2 else None

    @property
    def day(self) -> str:
        """Date of the visit."""
        return self.recorded_at[:10]

    @property
    def days(self) -> float:
        """Days since 1970, for distances between visits."""
        return datetime.fromisoformat(self.recorded_at).timestamp() / 86_400.0


def visit_of_analysis(analysis: RecordedAnalysis) -> TestedVisit | None:
    """The present visit; None where no profile says which joint it was."""
    if analysis.profile is None:
        return None
    kept = analysis.provenance
    stations = analysis.found.tests[0].stations if analysis.found.tests else ()
    return TestedVisit(
        kept.recording_id,
        kept.recorded_at,
        kept.client_code,
        analysis.profile.name,
        analysis.profile.joint,
        tuple(
            CurvePoint(
                station.degrees,
                best.peak.value,
                best.peak.standard_uncertainty,
                best.common_standard_uncertainty,
            )
            for station in stations
            if (best := station.best) is not None and best.peak is not None
        ),
    )


def visit_of_result(stored: StoredResult) -> TestedVisit:
    """An earlier visit from its result.

    Raises ResultFileError when it was changed, or lacks what is needed.
    """
    if not stored.intact:
        raise ResultFileError(
            f"{stored.path} was changed after it was made.",
            "Make the result again from its recording, or use an untouched copy.",
        )
    content = stored.content
    try:
        kept, tests = content["provenance"], content["summary"]["tests"]
        return TestedVisit(
            str(kept["recording_id"]),
            str(kept["recorded_at"]),
            str(kept["client_code"]),
            str(content["profile"]["name"]) if content["profile"] else str(kept["machine"]),
            Joint(content["joint"]),
            tuple(_point(one) for one in (tests[0]["stations"] if tests else ()) if one["peak"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise ResultFileError(
            f"{stored.path} does not hold what a comparison needs ({error}).",
            "Leave it out; it is the result of a session without figures, or from elsewhere.",
        ) from error


def _point(station: Mapping[str, Any]) -> CurvePoint:
    peak = station["peak"]
    return CurvePoint(
        float(station["degrees"]),
        float(peak["value"]),
        float(peak["standard_uncertainty"]),
        float(station["common_standard_uncertainty"]),
    )
