"""The control chart of a check weight: errors in order, and the limits that history gives."""

from __future__ import annotations

from typing import Any

from steelyard.calibration.check_log import JudgedCheck
from steelyard.calibration.control_chart import Chart
from steelyard.screen.pages.charts import GREY, LABEL, REED, chart

Rows = list[list[float]]


def check_chart(found: JudgedCheck) -> None:
    """Draw it: single days with limits once there is a base, until then with uncertainties."""
    unit = found.check.unit
    errors = [[number, one.load.error] for number, one in enumerate(found.series, 1)]
    limits = found.charts.individuals
    lines = _uncertainties(found) if limits is None else _limits(limits)
    if found.charts.ewma is not None:
        lines.append(_line("weighted mean", _rows(found.charts.ewma.values), "dotted"))
    points = {
        "type": "line",
        "name": "error of the day",
        "data": errors,
        "symbol": "circle",
        "symbolSize": 9,
        "lineStyle": {"width": 2, "color": REED},
        "itemStyle": {"color": REED},
    }
    made = chart(
        "Error of each check, and its limits",
        "check no.",
        unit,
        [points, *lines],
        legend={"textStyle": LABEL, "top": 0, "right": 10},
    )
    made.options["xAxis"] |= {"minInterval": 1, "min": 0, "max": len(errors) + 1, "scale": False}
    made.options["grid"] |= {"top": 70}


def _limits(limits: Chart) -> list[dict[str, Any]]:
    return [
        _line("upper limit", _rows(limits.upper), "dashed"),
        _line("centre", [[number, limits.centre] for number, _ in _rows(limits.values)], "solid"),
        _line("lower limit", _rows(limits.lower), "dashed"),
    ]


def _uncertainties(found: JudgedCheck) -> list[dict[str, Any]]:
    upper = [one.load.expanded_uncertainty for one in found.series]
    return [
        _line("+ uncertainty", _rows(upper), "dashed"),
        _line("− uncertainty", _rows([-value for value in upper]), "dashed"),
    ]


def _rows(values: Any) -> Rows:
    return [[number, value] for number, value in enumerate(values, 1)]


def _line(name: str, rows: Rows, dash: str) -> dict[str, Any]:
    return {
        "type": "line",
        "name": name,
        "data": rows,
        "symbol": "none" if len(rows) > 1 else "rect",
        "symbolSize": [24, 2],
        "lineStyle": {"width": 2 if dash != "solid" else 1, "type": dash, "color": GREY},
        "itemStyle": {"color": GREY},
    }
