"""``steelyard analyse``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import click

from steelyard.cli.filing import Filing, facts_of_visit, file_under_visit
from steelyard.cli.options import (
    calibrations_option,
    json_option,
    machine_option,
    recording_argument,
    sheet_option,
)
from steelyard.cli.practice_options import by_option, records_option
from steelyard.cli.words import write_json
from steelyard.recording.reader import Recording, read_recording
from steelyard.report.recorded_analysis import RecordedAnalysis, analyse_recording
from steelyard.report.sources import chosen_profile, find_sheet
from steelyard.strength.analysis_lines import analysis_lines, plain
from steelyard.strength.crank_course import CrankSetting
from steelyard.strength.session_sheet import SessionSheet, load_sheet, sheet_of_facts

CLOSING = (
    "An in-house measurement; not a medical device. Screening clients and deciding on maximal "
    "efforts is for licensed professionals."
)


@click.command()
@recording_argument
@calibrations_option
@machine_option
@sheet_option
@click.option("--turns", type=float, help="Where the counterweight's crank stood.")
@click.option(
    "--stack", "stack_kg", type=click.FloatRange(min=0, min_open=True), help="Plates, kg."
)
@click.option("--mass", "body_mass_kg", type=click.FloatRange(20, 300), help="Client's, kg.")
@click.option("--height", "stature_metres", type=click.FloatRange(1.0, 2.5), help="Client's, m.")
@click.option("--up", type=click.FloatRange(0.2, 60), help="Tempo asked for, s.  [default: 2]")
@click.option("--down", type=click.FloatRange(0.2, 60), help="Tempo asked for, s.  [default: 4]")
@click.option("--keep-tension", is_flag=True, help="The stack must not be set down in a set.")
@click.option(
    "--visit",
    "visit_id",
    type=int,
    help="File the result under this visit; where no sheet is, its client's limits and set-up "
    "stand in.",
)
@by_option
@records_option
@json_option
def analyse(
    recording: Path,
    calibration_paths: tuple[Path, ...],
    machine: str | None,
    sheet_path: Path | None,
    turns: float | None,
    stack_kg: float | None,
    body_mass_kg: float | None,
    stature_metres: float | None,
    up: float | None,
    down: float | None,
    keep_tension: bool,
    visit_id: int | None,
    by: str,
    place: str | None,
    as_json: bool,
) -> None:
    """Print balance, isometric strength and repetitions of a recorded session.

    Calibrations come with --calibration or from the recording itself, what the
    signals do not show from a session sheet (--sheet, one beside the recording, or
    the one inside it) and from the options, which go before it.
    """
    held = read_recording(recording)
    stated = {
        "stack_kg": stack_kg,
        "body_mass_kg": body_mass_kg,
        "stature_metres": stature_metres,
        "crank": None if turns is None else (CrankSetting(turns),),
    }
    base = _base(held, sheet_path, place, visit_id)
    sheet = _sheet(held, base, stated, up, down, keep_tension)
    profile = chosen_profile(machine) if machine else None
    found = analyse_recording(held, calibration_paths, profile=profile, sheet=sheet)
    if visit_id is not None:
        _file(found, place, by, visit_id)
    _show(found, as_json)


def _base(
    held: Recording, path: Path | None, place: str | None, visit_id: int | None
) -> SessionSheet | None:
    """The sheet given, or what is on record of the visit's client where there is none at all.

    Raises EntryError when the recording bears another client's code.
    """
    if visit_id is not None:
        facts = facts_of_visit(place, visit_id, held.origin.client_code)
        if path is None and not find_sheet(held).exists:
            return sheet_of_facts(facts)
    return load_sheet(path) if path else None


def _file(found: RecordedAnalysis, place: str | None, by: str, visit_id: int) -> None:
    assert found.profile is not None  # analyse_recording raises rather than go on without one
    held = found.recording
    filing = Filing(visit_id, held.path, held.origin.recording_id)
    used = [one.calibration_id for one in found.provenance.calibrations]
    facts = found.sheet.facts
    result_id = file_under_visit(place, by, filing, found.found, found.profile, facts, used)
    click.echo(f"filed as result {result_id} of visit {visit_id}", err=True)


def _sheet(
    held: Recording,
    given: SessionSheet | None,
    stated: Mapping[str, object],
    up: float | None,
    down: float | None,
    keep_tension: bool,
) -> SessionSheet | None:
    """The sheet with what the options state in its place; None where they state nothing."""
    changes = {name: value for name, value in stated.items() if value is not None}
    tempo = {
        name: value
        for name, value in (("concentric_seconds", up), ("eccentric_seconds", down))
        if value is not None
    }
    if not changes and not tempo and not keep_tension:
        return given
    base = given or find_sheet(held).sheet
    prescription = replace(
        base.prescription, **tempo, keeps_tension=keep_tension or base.prescription.keeps_tension
    )
    return replace(base, **changes, prescription=prescription)  # type: ignore[arg-type]


def _show(found: RecordedAnalysis, as_json: bool) -> None:
    profile, origin = found.profile, found.recording.origin
    assert profile is not None  # analyse_recording raises rather than go on without one
    used = found.provenance.calibrations
    if as_json:
        write_json(
            {
                "recording": origin.recording_id,
                "machine": profile.name,
                "client": origin.client_code,
                "calibrations": [one.calibration_id for one in used],
                **plain(found.found),
            }
        )
        return
    click.echo(f"recording {origin.recording_id}, client {origin.client_code or '?'}")
    for one in used:
        click.echo(f"calibration {one.calibration_id[:12]}")
    click.echo(f"session sheet: {found.provenance.sheet_source}")
    for text in found.provenance.sheet_corrections:
        click.echo(f"   {text}")
    for line in analysis_lines(found.found, profile):
        click.echo(line)
    click.echo(CLOSING)
