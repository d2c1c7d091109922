"""Charts of what is over: ECharts, as it comes with the UI library, on this machine."""

from __future__ import annotations

from typing import Any, Final

from nicegui import ui

from steelyard.screen.pages.parts import box, text

REED: Final = "var(--reed)"
TIDE: Final = "var(--tide)"
SAND: Final = "var(--sand)"
GREY: Final = "var(--quiet)"
"""The colours of the screens, which follow light and dark by themselves because the charts are
drawn as SVG.  Lines differ in dash and symbol besides."""
LABEL: Final = {"color": GREY, "fontSize": 14}
DAYS: Final = {"formatter": "{d} {MMM} {yyyy}", "hideOverlap": True}


def chart(
    title: str,
    x_name: str,
    y_name: str,
    series: list[dict[str, Any]],
    days: tuple[int, int] | None = None,
    **more: Any,
) -> ui.echart:
    """A chart with two value axes; ``title`` is read out and stands above.

    ``days``: x is a moment in milliseconds since 1970, from the first to the second of these.
    """
    axis = {
        "type": "value",
        "scale": True,
        "axisLabel": LABEL,
        "axisLine": {"lineStyle": {"color": GREY}},
        "splitLine": {"lineStyle": {"color": GREY, "opacity": 0.3}},
        "nameTextStyle": LABEL,
    }
    over_time: dict[str, Any] = {}
    if days is not None:
        over_time = {"type": "time", "splitNumber": 3, "axisLabel": {**DAYS, **LABEL}}
        over_time |= {"min": days[0], "max": days[1]}
    with box("figure", "figure"):
        text("figcaption", title, "quiet")
        made = ui.echart(
            {
                "color": [REED, REED, TIDE],
                "animation": False,
                "grid": {"left": 60, "right": 20, "top": 30, "bottom": 50},
                "xAxis": {
                    **axis,
                    **over_time,
                    "name": x_name,
                    "nameLocation": "middle",
                    "nameGap": 30,
                },
                "yAxis": {**axis, "name": y_name},
                "series": series,
                **more,
            },
            renderer="svg",
        ).classes("chart")
        made.props["role"] = "img"
        made.props["aria-label"] = title
    return made
