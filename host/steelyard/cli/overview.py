"""``steelyard overview``."""

from __future__ import annotations

from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from steelyard.cli.options import json_option, recording_argument
from steelyard.cli.words import progress_bar, write_json
from steelyard.errors import ExportError
from steelyard.recording.overview import COLUMNS, ChannelOverview, Overview, make_overview


@click.command()
@recording_argument
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path),
    help="Picture to write (.png, .svg, .pdf); without it, beside the recording.",
)
@click.option(
    "--columns", type=click.IntRange(10, 20_000), default=COLUMNS, show_default=True, metavar="N"
)
@click.option("--overwrite", is_flag=True, help="Replace a picture that exists.")
@json_option
def overview(
    recording: Path, output: Path | None, columns: int, overwrite: bool, as_json: bool
) -> None:
    """Draw a whole recording at a glance, however many hours.

    Each column shows the lowest and the highest reading of its stretch of time, so no
    peak and no spike is lost. With --json the figures are written and nothing is drawn.
    """
    with progress_bar("reading", quiet=as_json) as progress:
        found = make_overview(recording, columns, progress)
    if as_json:
        write_json(_plain(found))
        return
    picture = output or recording.with_suffix(".png")
    if picture.exists() and not overwrite:
        raise ExportError(f"{picture} exists already.", "Choose another name, or --overwrite.")
    from steelyard.recording.overview_plot import draw_overview

    draw_overview(found, picture)
    click.echo(f"{picture}: {found.duration_seconds:.1f} s, {len(found.channels)} channels")


def _plain(found: Overview) -> dict[str, object]:
    return {
        "recording_id": found.origin.recording_id,
        "duration_seconds": found.duration_seconds,
        "column_seconds": found.column_seconds,
        "channels": [_plain_channel(channel) for channel in found.channels],
        "remarks": [{"seconds": seconds, "text": text} for seconds, text in found.remarks],
    }


def _plain_channel(channel: ChannelOverview) -> dict[str, object]:
    return {
        "channel": channel.channel,
        "kind": channel.kind,
        "seconds": channel.seconds.tolist(),
        "lowest_counts": _known(channel.counts.lowest),
        "highest_counts": _known(channel.counts.highest),
        "usable_total": channel.counts.usable_total.tolist(),
        "unusable_total": channel.counts.unusable_total.tolist(),
    }


def _known(values: NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(value) else value for value in values.tolist()]
