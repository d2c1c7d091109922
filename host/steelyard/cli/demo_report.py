"""The demo's session sheet, and the report of its session."""

from __future__ import annotations

from pathlib import Path

import click

from steelyard.errors import ReportError
from steelyard.report.issue import issue_report
from steelyard.report.recompute import recompute
from steelyard.report.recorded_analysis import analyse_recording
from steelyard.simulator.machine_model import MachineModel
from steelyard.strength.crank_course import CrankSetting
from steelyard.strength.load_rule import LoadRule
from steelyard.strength.session_sheet import SessionSheet


def demo_sheet(present: MachineModel) -> SessionSheet:
    """What an operator of the virtual practice writes down: crank, plates, rule, set-up."""
    return SessionSheet(
        crank=(CrankSetting(present.counterweight_turns),),
        stack_kg=present.stack_kg,
        load_rule=LoadRule(repetitions=8, faulty=1, fewest=5),
        service="spine visit (demonstration)",
        set_up={"seat": "4", "footplate": "7", "thigh pads": "firm"},
        client_note="This is a simulated session; no such client exists.",
        written_by="virtual operator",
    )


def write_report(recording: Path, output: Path, issued_at: str) -> list[Path]:
    """The client's report, and the proof that its figures come out again."""
    click.echo("\n5. A report, with calibration, profile and sheet out of the recording itself")
    found = analyse_recording(recording)
    for number, one in enumerate(found.found.sets, start=1):
        faulty = sum(bool(each.findings) for each in one.repetitions)
        click.echo(f"   set {number}: {one.count} repetitions, {faulty} with a fault of form")
    try:
        files = issue_report(
            found, "client", output, issued_at=issued_at, practice="Saltmarsh Back & Neck"
        )
    except ReportError as error:
        click.echo(f"   no report: {error}")
        return []
    again = recompute(files.result, recording)
    verdict = "to the last digit" if again.reproduced else "NOT all"
    click.echo(
        f"   recomputed: {again.reproduced_total} of {len(again.numbers)} numbers, {verdict}"
    )
    return list(files.paths)
