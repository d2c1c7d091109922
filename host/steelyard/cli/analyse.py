"""``steelyard analyse``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import click
from steelyard_protocol.codec import plain_text
from steelyard_protocol.records import DocumentKind

from steelyard.calibration import (
    AngleCalibration,
    AnyCalibration,
    Binding,
    ForceCalibration,
    TorqueCalibration,
    load_any_calibration,
)
from steelyard.calibration.register import Register
from steelyard.cli.options import calibrations_option, json_option, recording_argument
from steelyard.cli.words import write_json
from steelyard.errors import CalibrationError
from steelyard.recording.reader import Recording, read_recording
from steelyard.strength.analysis_errors import AnalysisError
from steelyard.strength.analysis_lines import analysis_lines, plain
from steelyard.strength.form_faults import Prescription
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.profile_file import load_profile
from steelyard.strength.recorded_signals import AngleScale, profile_angle, signals_of
from steelyard.strength.session_analysis import SessionFacts, analyse_session
from steelyard.strength.signals import Signals
from steelyard.strength.torque_scale import TorqueScale, force_scale, torque_scale

CLOSING = (
    "An in-house measurement; not a medical device. Screening clients and deciding on maximal "
    "efforts is for licensed professionals."
)


@click.command()
@recording_argument
@calibrations_option
@click.option(
    "--machine",
    "-m",
    metavar="NAME|FILE",
    help="Profile of the machine: heron, wren or a file; without it, the one the recording names.",
)
@click.option("--turns", type=float, help="Where the counterweight's crank stood.")
@click.option(
    "--stack", "stack_kg", type=click.FloatRange(min=0, min_open=True), help="Plates, kg."
)
@click.option("--mass", "body_mass_kg", type=click.FloatRange(20, 300), help="Client's, kg.")
@click.option("--height", "stature_metres", type=click.FloatRange(1.0, 2.5), help="Client's, m.")
@click.option("--up", type=click.FloatRange(0.2, 60), default=2.0, show_default=True, help="s")
@click.option("--down", type=click.FloatRange(0.2, 60), default=4.0, show_default=True, help="s")
@click.option("--keep-tension", is_flag=True, help="The stack must not be set down in a set.")
@json_option
def analyse(
    recording: Path,
    calibration_paths: tuple[Path, ...],
    machine: str | None,
    turns: float | None,
    stack_kg: float | None,
    body_mass_kg: float | None,
    stature_metres: float | None,
    up: float,
    down: float,
    keep_tension: bool,
    as_json: bool,
) -> None:
    """Print balance, isometric strength and repetitions of a recorded session.

    Calibrations come with --calibration or from the recording itself. --up and --down are the
    tempo that was asked for.
    """
    held = read_recording(recording)
    profile = load_profile(machine or held.origin.machine or "heron")
    profile.require(held.origin.machine, held.origin.box_id)
    calibrations = _calibrations(held, calibration_paths)
    facts = SessionFacts(
        turns,
        stack_kg,
        body_mass_kg,
        stature_metres,
        prescription=Prescription(up, down, keeps_tension=keep_tension),
    )
    found = analyse_session(_signals(held, profile, calibrations), profile, facts)
    used = [item.calibration_id for item in calibrations.values()]
    if as_json:
        write_json(
            {
                "recording": held.origin.recording_id,
                "machine": profile.name,
                "client": held.origin.client_code,
                "calibrations": used,
                **plain(found),
            }
        )
        return
    click.echo(f"recording {held.origin.recording_id}, client {held.origin.client_code or '?'}")
    for name in used:
        click.echo(f"calibration {name[:12]}")
    for line in analysis_lines(found, profile):
        click.echo(line)
    click.echo(CLOSING)


def _signals(
    held: Recording, profile: MachineProfile, calibrations: dict[int, AnyCalibration]
) -> Signals:
    """The session's load channel in N·m; refuses to go on without its calibration."""
    channel = profile.channels.load
    if channel not in held.loads:
        raise AnalysisError(
            f"The recording has no samples of load channel {channel}.",
            "Check with `steelyard validate` what was recorded.",
        )
    age_days = 0.0
    calibration = calibrations.get(channel)
    scale: TorqueScale
    if isinstance(calibration, ForceCalibration):
        age_days = calibration.age_days(_recorded_at(held))
        scale = force_scale(calibration, profile.moment_arm, age_days)
    elif isinstance(calibration, TorqueCalibration):
        age_days = calibration.age_days(_recorded_at(held))
        scale = torque_scale(calibration, age_days)
    else:
        raise CalibrationError(
            f"There is no calibration of load channel {channel}: the recording holds raw counts, "
            "and no torque is given.",
            "Name it with --calibration, or calibrate the channel: `steelyard calibrate --help`.",
        )
    roller = profile.channels.roller
    return signals_of(
        held.loads[channel],
        scale,
        _angle(calibrations.get(profile.channels.arm_angle), profile),
        None if roller is None else held.angles.get(roller),
        profile.roller,
    )


def _angle(calibration: AnyCalibration | None, profile: MachineProfile) -> AngleScale:
    if not isinstance(calibration, AngleCalibration):
        return profile_angle(profile)
    middle = 0.5 * sum(profile.travel_degrees)
    return AngleScale(
        lambda counts: calibration.angle(counts).angle_degrees,
        calibration.budget(middle).standard_uncertainty,
        0.0 if calibration.eccentricity_degrees else profile.angle_periodic_degrees,
    )


def _recorded_at(held: Recording) -> str:
    seconds = held.origin.started_unix_ns / 1e9
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _calibrations(held: Recording, paths: Iterable[Path]) -> dict[int, AnyCalibration]:
    """By channel, each checked against box, channel and sensor; files before what is inside.

    Raises WrongBoxError for one that belongs elsewhere.
    """
    result: dict[int, AnyCalibration] = {}
    inside = [
        _parsed(document.text)
        for document in held.documents
        if document.kind == DocumentKind.CALIBRATION
    ]
    for calibration in [*_given(held, paths), *inside]:
        number = calibration.binding.channel
        if number in result:
            continue
        channel = held.channels.get(number)
        if channel is not None:
            serial = plain_text(channel.sensor_serial)
            calibration.binding.require(Binding(held.origin.box_id, number, serial, channel.gain))
        result[number] = calibration
    return result


def _given(held: Recording, paths: Iterable[Path]) -> Iterator[AnyCalibration]:
    """From files, or what is in force in a folder for this box."""
    for path in paths:
        if not path.is_dir():
            yield load_any_calibration(path)
            continue
        for channel in sorted(held.channels):
            found = Register(path, held.origin.box_id, channel).in_force()
            if found is not None:
                yield found


def _parsed(text: str) -> AnyCalibration:
    kinds: tuple[type[AnyCalibration], ...] = (
        ForceCalibration,
        TorqueCalibration,
        AngleCalibration,
    )
    last: CalibrationError | None = None
    for kind in kinds:
        try:
            return kind.from_json(text)
        except CalibrationError as error:
            last = error
    raise CalibrationError(
        f"A calibration inside the recording cannot be read: {last}.",
        "Name the calibration with --calibration.",
    ) from last
