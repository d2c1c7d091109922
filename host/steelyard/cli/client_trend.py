"""``steelyard client trend``."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

from steelyard.cli.options import json_option
from steelyard.cli.practice_options import opened, plain_record, records_option, shown_time
from steelyard.cli.words import write_json

if TYPE_CHECKING:
    from steelyard.store.trend_figures import ClientTrend, FigureTrend


@click.command()
@click.argument("code")
@click.argument("machine")
@records_option
@json_option
def trend(code: str, machine: str, place: str | None, as_json: bool) -> None:
    """Isometric strength of a client on MACHINE, visit to visit."""
    with opened(place) as records:
        found = records.trends.of_client(code, machine)
    if as_json:
        write_json(plain_record(found))
        return
    click.echo("\n".join(_lines(found)))


def _lines(found: ClientTrend) -> list[str]:
    lines = [f"{found.client} on {found.machine} ({found.joint.value}); ±: k = 2 (95 %)"]
    for station in found.stations:
        lines += [f"at {station.degrees:z.0f}°", *_figure(station)]
    if found.curve is not None:
        curve = found.curve
        radians = math.radians(curve.high_degrees - curve.low_degrees)
        lines.append(
            f"mean torque from {curve.low_degrees:z.0f} to {curve.high_degrees:z.0f}° (area under "
            f"the curve / {radians:.3f} rad)"
        )
        lines += _figure(curve.mean)
    return [*lines, *([found.learning] if found.learning else [])]


def _figure(one: FigureTrend) -> list[str]:
    lines = [
        f"   {shown_time(point.at)}  visit {point.visit_id}: {point.torque.text()}"
        for point in one.points
    ]
    if one.change is not None:
        lines.append(f"   first to last: {one.change.text}")
    if one.slope is not None:
        lines.append(
            f"   slope: {one.slope.per_month.value:+.1f} N·m in 30 days "
            + ("(differs from none at 95 %)" if one.slope.real else "(not told from none)")
        )
    return lines
