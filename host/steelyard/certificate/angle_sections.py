"""Sections of the certificate of an angle calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.certificate.budget_section import budget_table
from steelyard.certificate.plots import draw_angle
from steelyard.printed.document import Section, Table
from steelyard.printed.drawing import picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def sections(calibration: AngleCalibration) -> list[Section]:
    """Method, positions with a drawing, uncertainty."""
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
                "Positions known to",
                f"± {2.0 * conditions.reference_uncertainty_degrees:g}° (k = 2)",
            ),
            (
                "Cross-talk of a load",
                f"within ± {cross_talk:g}°" if cross_talk else "no bound stated",
            ),
            ("Direction", "with the counts" if calibration.direction > 0 else "against the counts"),
        ),
    )
    middle = 0.5 * (calibration.low_degrees + calibration.high_degrees)
    table = budget_table(calibration.budget(middle), f"One reading at {middle:g}°")
    return [method, _positions(calibration), Section("Uncertainty", tables=(table,))]


def _positions(calibration: AngleCalibration) -> Section:
    residuals = calibration.residuals_degrees
    angles = np.array([point.angle_degrees for point in calibration.points])
    at = np.linspace(calibration.low_degrees, calibration.high_degrees, 61)
    expanded = np.array([calibration.budget(float(x)).expanded_uncertainty for x in at])

    def draw(axes: Axes) -> None:
        draw_angle(axes, angles, residuals, (at, expanded))

    rows = tuple(
        (f"{point.angle_degrees:g}", f"{point.counts_mean:.1f}", f"{residual:+.3f}")
        for point, residual in zip(calibration.points, residuals, strict=True)
    )
    return Section(
        "Results",
        tables=(
            Table(("known angle (°)", "counts", "known less read (°)"), rows, (1, 1, 1), left=0),
        ),
        pictures=(picture(draw, "Known positions less what the calibration reads there."),),
    )
