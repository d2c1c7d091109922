"""``steelyard recompute``."""

from __future__ import annotations

from pathlib import Path

import click

from steelyard.cli.options import calibrations_option, json_option
from steelyard.cli.words import write_json
from steelyard.report.recompute import Recomputation
from steelyard.report.recompute import recompute as made_again

NOT_REPRODUCED: int = 3


@click.command()
@click.argument("result", type=click.Path(path_type=Path), metavar="RESULT|REPORT")
@click.option(
    "--recording",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Where the recording lies; without it, looked for beside the result.",
)
@calibrations_option
@click.option("--each", is_flag=True, help="Print every number.")
@json_option
def recompute(
    result: Path,
    recording: Path | None,
    calibration_paths: tuple[Path, ...],
    each: bool,
    as_json: bool,
) -> None:
    """Make every figure of a report again from its recording, and compare to the last digit.

    Takes a result (.result.json) or a report. Exit 3: something is not reproduced, or
    not what it was made from.
    """
    found = made_again(result, recording, calibration_paths)
    if as_json:
        write_json(_plain(found))
    else:
        _show(found, each)
    if not found.reproduced:
        raise SystemExit(NOT_REPRODUCED)


def _show(found: Recomputation, each: bool) -> None:
    click.echo(f"result {found.result_id[:12]}, recording {found.recording}")
    for text in found.problems:
        click.echo(f"NOT AS IT WAS: {text}")
    for text in found.remarks:
        click.echo(f"remark: {text}")
    differing = {one.name for one in found.differences}
    if each:
        for name, value in found.numbers:
            verdict = "DIFFERS" if name in differing else "same"
            click.echo(f"   {verdict}  {name} = {value!r}")
    for one in found.differences:
        click.echo(f"DIFFERS: {one.name}: in the result {one.stored!r}, now {one.now!r}")
    total = len(found.numbers)
    if found.reproduced:
        click.echo(f"All {total} numbers are reproduced to the last digit.")
    else:
        click.echo(f"{found.reproduced_total} of {total} numbers are reproduced to the last digit.")


def _plain(found: Recomputation) -> dict[str, object]:
    return {
        "result_id": found.result_id,
        "reproduced": found.reproduced,
        "numbers_total": len(found.numbers),
        "reproduced_total": found.reproduced_total,
        "problems": list(found.problems),
        "remarks": list(found.remarks),
        "differences": [vars(one) for one in found.differences],
    }
