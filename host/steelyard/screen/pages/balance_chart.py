"""The residual over the range, with the bounds that the practice accepts."""

from __future__ import annotations

from typing import Any

from steelyard.screen.pages.charts import LABEL, chart

Curve = tuple[tuple[float, float, float], ...]


def balance_chart(curve: Curve, bound_nm: float) -> None:
    """``curve``: degrees, residual and standard uncertainty in N·m."""
    low = [[at, value - 2 * u] for at, value, u in curve]
    span = [[at, 4 * u] for at, _, u in curve]
    band: dict[str, Any] = {
        "type": "line",
        "stack": "band",
        "stackStrategy": "all",
        "symbol": "none",
        "silent": True,
    }
    # The axis has to hold both bounds, to show where between them the residual lies.
    ends = [[curve[0][0], side * bound_nm] for side in (-1.0, 1.0)]
    chart(
        "Residual over the range, with its expanded uncertainty and the accepted bounds",
        "angle, °",
        "N·m",
        [
            {**band, "name": "lower", "data": low, "lineStyle": {"opacity": 0}},
            {
                **band,
                "name": "± U",
                "data": span,
                "lineStyle": {"opacity": 0},
                "areaStyle": {"opacity": 0.25},
            },
            {"type": "scatter", "symbolSize": 0, "silent": True, "data": ends},
            {
                "type": "line",
                "name": "residual",
                "data": [[at, value] for at, value, _ in curve],
                "symbol": "none",
                "lineStyle": {"width": 3},
                "markLine": {
                    "silent": True,
                    "symbol": "none",
                    "label": LABEL,
                    "data": [{"yAxis": bound_nm}, {"yAxis": -bound_nm}],
                },
            },
        ],
    )
