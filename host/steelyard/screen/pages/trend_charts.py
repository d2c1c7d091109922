"""A figure over visits, each with its expanded uncertainty as an error bar, and in words."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Final

from steelyard.screen.pages.charts import chart
from steelyard.screen.pages.parts import section, table, text
from steelyard.store.trend_figures import ClientTrend, FigureTrend, TrendPoint

LEAST_ROOM: Final = timedelta(days=3)


def figure_part(title: str, figure: FigureTrend) -> None:
    """Chart and words of one station, or of the whole curve."""
    with section(title):
        text("p", verdict(figure), "verdict")
        _chart(title, figure.points)
        for line in words(figure):
            text("p", line, "quiet")


def verdict(figure: FigureTrend) -> str:
    """Whether the change is real, in one line."""
    if figure.change is None:
        return "One visit so far: there is nothing to compare it with."
    change = figure.change.change
    if figure.change.real:
        way = "stronger" if change.value > 0 else "weaker"
        return f"A real change, {way}: {change.text()} from first to last."
    return f"No change that can be told from repeat tests: {change.text()} from first to last."


def words(figure: FigureTrend) -> list[str]:
    """By what the verdict was reached, and the slope."""
    lines = [figure.change.text] if figure.change is not None else []
    if figure.slope is not None:
        told = "differs from none at 95 %" if figure.slope.real else "not told from none"
        lines.append(f"Slope: {figure.slope.per_month.value:+.1f} N·m in 30 days ({told}).")
    return lines


def trend_table(found: ClientTrend) -> None:
    """The charts' figures as text: a row for each visit."""
    figures = [*found.stations, *([found.curve.mean] if found.curve else [])]
    heads = [f"{one.degrees:z.0f}°" if one.degrees is not None else "mean" for one in figures]
    visits = {point.visit_id: point.at for one in figures for point in one.points}
    rows = [
        [_day(at), *(_at_visit(one, number) for one in figures)]
        for number, at in sorted(visits.items(), key=lambda item: item[1])
    ]
    table("Isometric torque, N·m; ±: k = 2 (95 %)", ["visit", *heads], rows)


def _at_visit(figure: FigureTrend, visit_id: int) -> str:
    found = (point.torque for point in figure.points if point.visit_id == visit_id)
    torque = next(found, None)
    return "–" if torque is None else torque.text().removesuffix(" N·m")


def _chart(title: str, points: tuple[TrendPoint, ...]) -> None:
    values = [[_milliseconds(one.at), round(one.torque.value, 2)] for one in points]
    # Two ends and a gap for each visit: a bar with caps, without a line of script.
    bars: list[list[Any]] = []
    for one in points:
        at, u = _milliseconds(one.at), one.torque.expanded_uncertainty
        bars += [[at, round(one.torque.value - u, 2)], [at, round(one.torque.value + u, 2)]]
        bars.append([at, None])
    chart(
        f"{title}, by visit; bars: expanded uncertainty, k = 2",
        "",
        "N·m",
        [
            {
                "type": "line",
                "name": "torque, N·m",
                "data": values,
                "symbol": "circle",
                "symbolSize": 9,
                "lineStyle": {"width": 2, "type": "dashed"},
            },
            {
                "type": "line",
                "name": "± U",
                "data": bars,
                "symbol": "rect",
                "symbolSize": [12, 2],
                "connectNulls": False,
                "lineStyle": {"width": 2},
            },
        ],
        days=_days_around(points),
    )


def _days_around(points: tuple[TrendPoint, ...]) -> tuple[int, int]:
    """From before the first visit to after the last, however few there are."""
    moments = [one.at for one in points]
    room = max(LEAST_ROOM, (max(moments) - min(moments)) / 20)
    return _milliseconds(min(moments) - room), _milliseconds(max(moments) + room)


def _milliseconds(at: datetime) -> int:
    return round(at.timestamp() * 1000)


def _day(at: datetime) -> str:
    return f"{at.astimezone():%d %b %Y %H:%M}"
