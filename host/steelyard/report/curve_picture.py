"""Torque against angle: this visit with its band, and what it is compared with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from steelyard.printed.document import Picture
from steelyard.printed.drawing import BAND, BLUE, GREY, INK, RUST, figure_picture, plain_axes
from steelyard.report.wording import in_cell
from steelyard.strength.isometric import IsometricTest
from steelyard.strength.measured import Measured
from steelyard.strength.torque_curve import TorqueCurve

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

OTHERS: Final = (("--", "s", RUST), (":", "^", GREY), ("-.", "v", INK))


def curve_picture(
    curve: TorqueCurve,
    test: IsometricTest | None,
    others: Sequence[tuple[str, TorqueCurve]] = (),
    *,
    name: str = "this visit",
    for_client: bool = False,
) -> Picture:
    """Points with bars and band of U; ``others`` are earlier curves, or later tests, by name."""

    def draw(figure: Figure) -> None:
        axes = figure.add_subplot()
        plain_axes(axes)
        for (label, other), (line, mark, colour) in zip(others, OTHERS, strict=False):
            _plain_curve(axes, other, label, line, mark, colour)
        _band_curve(axes, curve, name, 2.4 if for_client else 1.6)
        if test is not None and not for_client:
            _invalid(axes, test)
        _set_height(axes, [curve, *(other for _, other in others)], test)
        axes.set_xlabel("leaning back  ←  angle (°)  →  bending forward")
        axes.set_ylabel("strength (N·m)" if for_client else "torque, extension (N·m)")
        axes.legend(loc="best", frameon=False)
        if for_client:
            axes.margins(x=0.1)
            _values(axes, curve, [other for _, other in others])

    caption = (
        "How strong you were at each position. The bars and the shaded band show how surely it is "
        "known: the true value lies inside with 95 % confidence."
        if for_client
        else "Torque-angle curve through the best valid effort of each station, joined by straight "
        "lines, not continued beyond its ends. Bars and band: expanded uncertainty (k = 2.0)."
        + (" × marks efforts that do not count." if test is not None and _any_bad(test) else "")
    )
    return figure_picture(draw, caption, (7.0, 2.9 if for_client else 3.4),
                          font_size=11.0 if for_client else 8.0)  # fmt: skip


def _set_height(axes: Axes, curves: Sequence[TorqueCurve], test: IsometricTest | None) -> None:
    """From zero, so that heights can be compared, with room above."""
    tops = [float((torque + expanded).max()) for _, torque, expanded in map(_columns, curves)]
    tops += [one.peak.value for one in test.efforts if one.peak] if test is not None else []
    axes.set_ylim(0.0, 1.15 * max(tops))


def _band_curve(axes: Axes, curve: TorqueCurve, label: str, width: float) -> None:
    at, torque, expanded = _columns(curve)
    axes.fill_between(at, torque - expanded, torque + expanded, color=BAND, lw=0)
    axes.plot(at, torque, color=BLUE, linewidth=width)
    axes.errorbar(
        at, torque, yerr=expanded, fmt="o", color=BLUE, capsize=4, markersize=5, label=label
    )


def _plain_curve(
    axes: Axes, curve: TorqueCurve, label: str, line: str, mark: str, colour: str
) -> None:
    at, torque, expanded = _columns(curve)
    drawn = axes.errorbar(
        at, torque, yerr=expanded, fmt=line + mark, color=colour, linewidth=1.2, capsize=3,
        markersize=4.5, label=label, elinewidth=0.7,
    )  # fmt: skip
    drawn.lines[0].set_markerfacecolor("white")


def _invalid(axes: Axes, test: IsometricTest) -> None:
    bad = [one for one in test.efforts if not one.valid and one.peak is not None]
    if bad:
        axes.plot(
            [one.degrees.value for one in bad],
            [one.peak.value for one in bad if one.peak is not None],
            "x",
            color=GREY,
            markersize=7,
            label="does not count",
        )


def _any_bad(test: IsometricTest) -> bool:
    return any(not one.valid and one.peak is not None for one in test.efforts)


def _values(axes: Axes, curve: TorqueCurve, others: Sequence[TorqueCurve]) -> None:
    """Each point's value above it; below where an earlier curve runs above."""
    for point in curve.points:
        above = any(_at(other, point.degrees) > point.torque_nm for other in others)
        side = -1.0 if above else 1.0
        axes.annotate(
            in_cell(Measured(point.torque_nm, point.standard_uncertainty, "N·m")),
            (point.degrees, point.torque_nm + side * 2.0 * point.standard_uncertainty),
            textcoords="offset points",
            xytext=(0, -17 if above else 6),
            ha="center",
            fontsize=10,
            color=INK,
        )


def _at(curve: TorqueCurve, degrees: float) -> float:
    at, torque, _ = _columns(curve)
    return float(np.interp(degrees, at, torque))


def _columns(curve: TorqueCurve) -> tuple[Array, Array, Array]:
    rows = [(one.degrees, one.torque_nm, 2.0 * one.standard_uncertainty) for one in curve.points]
    at, torque, expanded = np.array(rows).T
    return at, torque, expanded
