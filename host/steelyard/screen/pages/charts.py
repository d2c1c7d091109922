"""Charts of what is over: ECharts, as it comes with the UI library, on this machine."""

from __future__ import annotations

from typing import Any, Final

from nicegui import ui

from steelyard.screen.pages.parts import box, text

COLOURS: Final = ["#3b8f6c", "#3b8f6c", "#23506f", "#a36a00", "#8c2f16", "#5d7067"]
"""Read on light and dark ground alike; lines differ in dash and symbol besides."""
GREY: Final = "#7b8b82"
DAYS: Final = {"formatter": "{d} {MMM} {yyyy}", "hideOverlap": True}


def chart(
    title: str,
    x_name: str,
    y_name: str,
    series: list[dict[str, Any]],
    over_time: bool = False,
    **more: Any,
) -> ui.echart:
    """A chart with two value axes; ``title`` is read out and stands above.

    ``over_time``: x is a moment in milliseconds since 1970.
    """
    axis = {
        "type": "value",
        "scale": True,
        "axisLabel": {"color": GREY, "fontSize": 14},
        "splitLine": {"lineStyle": {"color": GREY, "opacity": 0.3}},
        "nameTextStyle": {"color": GREY, "fontSize": 14},
    }
    days = {"axisLabel": {**DAYS, "color": GREY, "fontSize": 14}, "boundaryGap": ["5%", "5%"]}
    with box("figure", "figure"):
        text("figcaption", title, "quiet")
        made = ui.echart(
            {
                "color": COLOURS,
                "animation": False,
                "grid": {"left": 60, "right": 20, "top": 30, "bottom": 50},
                "xAxis": {
                    **axis,
                    **({"type": "time", "splitNumber": 3, **days} if over_time else {}),
                    "name": x_name,
                    "nameLocation": "middle",
                    "nameGap": 30,
                },
                "yAxis": {**axis, "name": y_name},
                "series": series,
                **more,
            }
        ).classes("chart")
        made.props["role"] = "img"
        made.props["aria-label"] = title
    return made
