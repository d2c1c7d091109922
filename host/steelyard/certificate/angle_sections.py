"""Sections of the certificate of an angle calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.calibration.history import Act, Entry, History
from steelyard.certificate.budget_section import budget_table
from steelyard.certificate.plots import draw_angle
from steelyard.errors import CalibrationFileError
from steelyard.printed.document import Section, Table
from steelyard.printed.drawing import picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def sections(calibration: AngleCalibration, history: History) -> list[Section]:
    """Method, positions with a drawing, uncertainty, what was read before it."""
    conditions = calibration.conditions
    shape = "offset" if calibration.counts_per_turn else "straight line"
    if calibration.table:
        shape = f"table of {len(calibration.table)} rows, straight lines between them"
    elif calibration.counts_per_turn and len(calibration.coefficients) > 1:
        shape = f"offset and first harmonic (eccentricity {calibration.eccentricity_degrees:.2f}°)"
    cross_talk = conditions.cross_talk_bound_degrees
    method = Section(
        "Method and conditions",
        facts=(
            ("Method", f"{len(calibration.points)} known positions; {shape}"),
            (
                "Known to",
                f"± {2.0 * conditions.reference_uncertainty_degrees:g}° (k = 2)",
            ),
            (
                "Cross-talk",
                f"of a full load, within ± {cross_talk:g}°" if cross_talk else "no bound stated",
            ),
            ("Direction", "with the counts" if calibration.direction > 0 else "against the counts"),
        ),
    )
    middle = 0.5 * (calibration.low_degrees + calibration.high_degrees)
    table = budget_table(calibration.budget(middle), f"One reading at {middle:g}°")
    return [
        method,
        _positions(calibration),
        Section("Uncertainty", tables=(table,)),
        _found(calibration, history),
    ]


def _found(calibration: AngleCalibration, history: History) -> Section:
    """What the calibration before this one read at the same positions."""
    title = "As found and as left"
    left = "As left: the results above, read with the positions of this calibration itself."
    said, entry = _found_before(calibration, history)
    if entry is None:
        return Section(title, paragraphs=(f"As found: {said}", left))
    try:
        positions: list[dict[str, Any]] = entry.content["positions"]
        rows = tuple(_found_row(position) for position in positions)
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationFileError(
            f"An entry of the history is whole but lacks or misuses a part: {error}.",
            "It was made by a program that does not keep to the layout.",
        ) from error
    within = sum(row[-1] == "yes" for row in rows)
    text = (
        f"As found, with calibration {entry.calibration_id[:12]}, {entry.at}: {within} of "
        f"{len(rows)} positions within the uncertainty."
    )
    headings = ("known angle (°)", "read (°)", "error (°)", "U (°)", "within U")
    table = Table(headings, rows, (1, 1, 1, 1, 1), left=0, caption="As found")
    return Section(title, paragraphs=(text, left), tables=(table,))


def _found_row(position: dict[str, Any]) -> tuple[str, ...]:
    error, bound = position["error_degrees"], position["expanded_uncertainty_degrees"]
    return (
        _degrees(position["known_degrees"]),
        f"{position['read_degrees']:.2f}",
        f"{error:+.3f}",
        f"{bound:.2f}",
        "yes" if abs(error) <= bound else "NO",
    )


def _found_before(calibration: AngleCalibration, history: History) -> tuple[str, Entry | None]:
    """The last as-found entry before this calibration, or the words that stand for it."""
    found: Entry | None = None
    first = True
    for entry in history.entries:
        if entry.act is Act.AS_FOUND:
            found = entry
        elif entry.act is Act.IN_FORCE:
            if entry.calibration_id == calibration.calibration_id:
                reason = entry.content.get("no_as_found", "")
                unread = f"not read; stated reason: {reason}." if reason else "not read."
                return "this is the first calibration of the channel." if first else unread, found
            found, first = None, False
    return "this calibration has not been put in force.", None


def _degrees(value: float) -> str:
    return f"{round(value, 2):g}"


def _positions(calibration: AngleCalibration) -> Section:
    residuals = calibration.residuals_degrees
    angles = np.array([point.angle_degrees for point in calibration.points])
    at = np.linspace(calibration.low_degrees, calibration.high_degrees, 61)
    expanded = np.array([calibration.budget(float(x)).expanded_uncertainty for x in at])

    def draw(axes: Axes) -> None:
        draw_angle(axes, angles, residuals, (at, expanded))

    rows = tuple(
        (_degrees(point.angle_degrees), f"{point.counts_mean:.1f}", f"{residual:+.3f}")
        for point, residual in zip(calibration.points, residuals, strict=True)
    )
    return Section(
        "Results",
        tables=(
            Table(("known angle (°)", "counts", "known less read (°)"), rows, (1, 1, 1), left=0),
        ),
        pictures=(picture(draw, "Known positions less what the calibration reads there."),),
    )
