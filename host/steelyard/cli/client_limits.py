"""``steelyard client limits``."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from steelyard.cli.options import json_option
from steelyard.cli.practice_options import by_option, opened, records_option, shown_time
from steelyard.cli.words import write_json

if TYPE_CHECKING:
    from steelyard.store.kept import Limits


@click.command()
@click.argument("code")
@click.argument("machine")
@click.option("--range", "client_range", type=(float, float), help="Extended and flexed end, °.")
@click.option("--torque", "torque_limit_nm", type=float, help="Not to be exceeded, N·m.")
@click.option("--up", type=float, help="Tempo of the way up, s.")
@click.option("--down", type=float, help="Tempo of the way down, s.")
@click.option("--repetitions", type=int, help="Stop after so many.")
@click.option("--speed-loss", type=float, help="Stop when speed fell by so much, %.")
@click.option("--range-loss", type=float, help="Stop when range fell by so much, %.")
@click.option("--file", type=click.Path(path_type=Path), help="All limits, as --json writes them.")
@by_option
@records_option
@json_option
def limits(
    code: str,
    machine: str,
    client_range: tuple[float, float] | None,
    torque_limit_nm: float | None,
    up: float | None,
    down: float | None,
    repetitions: int | None,
    speed_loss: float | None,
    range_loss: float | None,
    file: Path | None,
    by: str,
    place: str | None,
    as_json: bool,
) -> None:
    """Show or enter a client's limits of motion and rules for stopping on MACHINE.

    They are the clinician's. What is not given stays as it was.
    """
    from steelyard.store.facts_json import to_plain
    from steelyard.store.kept import Limits

    with opened(place, by) as records:
        kept = records.limits.current(code, machine)
        before = kept.limits if kept else Limits()
        wanted = _changed(
            _read(file) if file else before,
            {"client_range": client_range, "torque_limit_nm": torque_limit_nm},
            {"concentric_seconds": up, "eccentric_seconds": down},
            {
                "repetitions": repetitions,
                "speed_loss_percent": speed_loss,
                "range_loss_percent": range_loss,
            },
        )
        if wanted != before:
            kept = records.limits.save(code, machine, wanted, kept.number if kept else 0)
    shown = to_plain(kept.limits if kept else Limits())
    if as_json:
        write_json(shown)
        return
    click.echo(
        f"limits {kept.number} on {kept.machine}, entered by {kept.entered_by} "
        f"{shown_time(kept.entered_at)}"
        if kept
        else "no limits entered; what the analysis takes then:"
    )
    for name, value in shown.items():
        click.echo(f"  {name}: {json.dumps(value)}")


def _changed(
    start: Limits, own: dict[str, object], tempo: dict[str, object], stop: dict[str, object]
) -> Limits:
    def given(values: dict[str, object]) -> dict[str, object]:
        return {name: value for name, value in values.items() if value is not None}

    return dataclasses.replace(
        start,
        prescription=dataclasses.replace(start.prescription, **given(tempo)),  # type: ignore[arg-type]
        stop_rules=dataclasses.replace(start.stop_rules, **given(stop)),  # type: ignore[arg-type]
        **given(own),  # type: ignore[arg-type]
    )


def _read(file: Path) -> Limits:
    from steelyard.errors import EntryError
    from steelyard.store.facts_json import from_plain
    from steelyard.store.kept import Limits

    try:
        return from_plain(Limits, json.loads(file.read_text(encoding="utf-8")))
    except (OSError, ValueError, RecursionError) as error:
        raise EntryError(
            f"{file} could not be read as limits: {error}.", "Write one with --json."
        ) from error
