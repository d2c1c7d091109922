"""``steelyard certify``."""

from __future__ import annotations

from pathlib import Path

import click

from steelyard.calibration import AngleCalibration, AnyCalibration, load_any_calibration
from steelyard.calibration.angle_fit import refit_angle
from steelyard.calibration.register import Register
from steelyard.certificate.issue import issue_certificate
from steelyard.cli.bench_run import now_text, warn_of_unnamed_sensor


@click.command()
@click.argument("calibration", type=click.Path(path_type=Path), metavar="CALIBRATION")
@click.option(
    "--output",
    "-o",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Write a certificate there: a web page, a PDF, and JSON beside them.",
)
@click.option("--practice", default="", help="Name on the certificate.")
@click.option("--machine", default="", help="Which machine the box is on.")
def certify(calibration: Path, output: Path | None, practice: str, machine: str) -> None:
    """Print a stored calibration and check that not a byte of it was changed.

    With --output, write its certificate, with as found, as left and checks from the history
    beside it. In-house, not accredited.
    """
    stored = load_any_calibration(calibration)
    for line in stored.summary_lines():
        click.echo(line)
    same = _again(stored).calibration_id == stored.calibration_id
    click.echo(
        f"content hash {stored.calibration_id}: untouched; fitting its readings again "
        + ("gives the same to the last digit" if same else "gives OTHER figures (newer version?)")
    )
    warn_of_unnamed_sensor(stored.binding)
    if output is None:
        return
    binding = stored.binding
    history = Register(calibration.parent, binding.box_id, binding.channel).history()
    issued = issue_certificate(
        stored, history, output, issued_at=now_text(), practice=practice, machine=machine
    )
    for path in (issued.web_page, issued.paper, issued.data):
        click.echo(f"written: {path}")


def _again(stored: AnyCalibration) -> AnyCalibration:
    """The calibration made anew from the readings it keeps."""
    return refit_angle(stored) if isinstance(stored, AngleCalibration) else stored.refit()
