"""``steelyard demo``: the whole line on a virtual Heron, from test weights to a picture."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import click
import numpy as np
from steelyard_protocol.codec import plain_text
from steelyard_protocol.decoder import Message
from steelyard_protocol.records import ChannelKind, DocumentKind, LoadSample, SettingKey

from steelyard.calibration import (
    Conditions,
    ForceCalibration,
    Gravity,
    GuidedRun,
    Weight,
    calibrate_force,
    format_measurement,
    plan_run,
    save_calibration,
)
from steelyard.cli.bench_run import now_text
from steelyard.cli.boxes import binding_of, load_channel_calibrations
from steelyard.cli.demo_report import demo_sheet, write_report
from steelyard.cli.virtual_bench import let_pass, measure
from steelyard.cli.words import progress_bar
from steelyard.device import Box
from steelyard.errors import ExportError
from steelyard.recording.documents import Document
from steelyard.recording.export import export_recording
from steelyard.recording.file_format import Subject
from steelyard.recording.reader import Recording, read_recording
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.recording.validator import validate
from steelyard.report.sources import profile_document, sheet_document
from steelyard.simulator.port import SimulatedPort, open_simulated_port
from steelyard.strength.arm_torque import (
    AngleReference,
    ArmTorque,
    MomentArm,
    PeakTorque,
    arm_torque,
    peak_torque,
)
from steelyard.strength.torque_plot import plot_torque_against_angle
from steelyard.transport.reconnecting import ReconnectingLink

SEED: Final = 7
MINUTES: Final = 10
GRAVITY_M_S2: Final = 9.8124
"""True gravity of the virtual practice; the technician enters 9.812 ± 0.0005."""
ARM: Final = MomentArm(0.300, 0.0005)
"""As a technician would measure it with a steel rule: 300 mm, give or take half a millimetre."""
INCLINOMETER_U_DEGREES: Final = 0.2
SENSOR_SERIALS: Final = ("SB-2041", "SB-2042")
WEIGHTS: Final = {
    f"20 kg no. {number}": Weight(f"20 kg no. {number}", 20.0, oiml_class="M1")
    for number in range(1, 6)
}


@dataclass(frozen=True)
class _Found:
    """What the bench work gave: a calibration and one known angle."""

    calibration: ForceCalibration
    path: Path
    angle: AngleReference


@click.command()
@click.option(
    "--output",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo-output"),
    show_default=True,
)
@click.option("--seed", type=click.IntRange(0), default=SEED, show_default=True)
def demo(output: Path, seed: int) -> None:
    """Calibrate, record, validate and draw ten minutes on a virtual Heron.

    Everything is simulated down to the pins of the converters; nothing needs to be
    plugged in. Time is virtual, so it takes seconds.
    """
    begun = time.monotonic()
    output.mkdir(parents=True, exist_ok=True)
    click.echo("Saltmarsh Back & Neck (an invented practice), virtual back machine Heron")
    found = _calibrate(seed, output)
    path = _fresh(output, "heron-session", ".steelyard")
    _record(seed, path, found)
    recording = _validate(path)
    # The same check that every command makes: this box, this channel, this sensor.
    load_channel_calibrations(
        [found.path],
        recording.origin.box_id,
        recording.channels.values(),
        [plain_text(recording.channels[number].sensor_serial) for number in (0, 1)],
    )
    torque = arm_torque(recording.loads[0], found.calibration, ARM, found.angle)
    peaks = _report(torque)
    files = export_recording(
        path, output / "heron-session", forces={0: found.calibration}, force=True
    )
    written = [path, *(file.path for file in files)]
    picture = output / "torque-against-angle.png"
    try:
        curve = found.calibration.model.curve
        plot_torque_against_angle(
            torque,
            peaks,
            (curve.low_newtons * ARM.length_metres, curve.high_newtons * ARM.length_metres),
            picture,
            "Virtual Heron, client C-001 (simulated), ten minutes",
        )
        written.append(picture)
    except ExportError as error:
        click.echo(f"   no picture: {error}")
    written += write_report(path, output, now_text())
    click.echo("\n6. Written")
    for item in written:
        click.echo(f"   {item}")
    click.echo(f"\nDone in {time.monotonic() - begun:.0f} s.")
    _next_steps(path)


def _fresh(folder: Path, stem: str, suffix: str) -> Path:
    """A name that is free: a recording is never written over."""
    number = 1
    while (path := folder / f"{stem}-{number}{suffix}").exists():
        number += 1
    return path


def _virtual_heron(task: str, seed: int) -> SimulatedPort:
    """The same box and cells for the same seed, with the sensors' serial numbers entered."""
    port = open_simulated_port(f"heron?task={task}&speed=max&seed={seed}&gravity={GRAVITY_M_S2}")
    box = Box(port)
    box.identify()
    box.write_setting(SettingKey.BOX_NAME, text="Heron 1")
    for channel, serial in enumerate(SENSOR_SERIALS):
        box.write_setting(SettingKey.SENSOR_SERIAL, channel, text=serial)
    return port


def _calibrate(seed: int, output: Path) -> _Found:
    click.echo("\n1. Calibrating with five 20 kg test weights (OIML M1), up and down, three runs")
    loads = [(20.0 * n, tuple(list(WEIGHTS)[:n])) for n in range(1, 6)]
    run = GuidedRun(plan_run(loads, runs=3, exercises=1))
    # The true masses differ from 20 kg within the class, and only the simulator knows how.
    true_kg = np.random.default_rng(seed).uniform(20.0 - 1e-3, 20.0 + 1e-3, len(WEIGHTS))
    port = _virtual_heron("weights", seed)
    with Box.open(port) as box:
        box.start_stream()
        with progress_bar("   hanging weights") as progress:
            while (step := run.current) is not None:
                port.world.hang(float(true_kg[: len(step.weights)].sum()))
                let_pass(box, 3.0)
                run.loaded()
                measure(box, run)
                progress(run.progress.steps_done, run.progress.steps_total)
        conditions = Conditions(
            gravity=Gravity(9.812, 0.0005, "entered"),
            taken_at=_utc(port),
            operator="virtual technician",
        )
        binding = binding_of(box.description, box.channels[0])
        calibration = calibrate_force(run.points(), conditions, binding, weights=WEIGHTS)
        path = save_calibration(calibration, output)
        for line in calibration.summary_lines():
            click.echo(f"   {line}")
        click.echo(f"   kept as {path}")
        _check_with_a_load(box, port, calibration)
        angle = _known_angle(box, port)
    return _Found(calibration, path, angle)


def _check_with_a_load(box: Box, port: SimulatedPort, calibration: ForceCalibration) -> None:
    """Read a load that took no part, and compare with what the simulator knows."""
    port.world.hang(0.0)
    let_pass(box, 6.0)
    empty = _samples(box, 250)
    zero = calibration.take_zero(*_mean_and_error(empty), _utc(port))
    port.world.hang(50.0)
    let_pass(box, 6.0)
    mean, error = _mean_and_error(_samples(box, 250))
    newtons = float(
        calibration.force([mean], zero=zero, counts_standard_error=error).force_newtons[0]
    )
    budget = calibration.budget(newtons, zero=zero, counts_standard_error=error)
    shown = format_measurement(newtons, budget.expanded_uncertainty, "N", budget.coverage_factor)
    truth = port.world.weights.still_newtons(50.0)
    verdict = "inside" if abs(newtons - truth) <= budget.expanded_uncertainty else "OUTSIDE"
    click.echo(
        f"   check with 50 kg, zeroed before: {shown}; the truth is {truth:.2f} N: {verdict}"
    )
    port.world.hang(0.0)


def _samples(box: Box, count: int, angle: bool = False) -> list[int]:
    """The next sound counts of load channel 0, or of the arm angle that comes with them."""
    found: list[int] = []
    while len(found) < count:
        for event in box.poll(0.1).events:
            record = event.record if isinstance(event, Message) else None
            if isinstance(record, LoadSample) and record.channel == 0 and not record.flags:
                found.append(record.angle_counts if angle else record.load_counts)
    return found[:count]


def _mean_and_error(counts: list[int]) -> tuple[float, float]:
    return float(np.mean(counts)), float(np.std(counts, ddof=1) / len(counts) ** 0.5)


def _utc(port: SimulatedPort) -> str:
    return str(np.datetime64(port.clock.unix_ns(), "ns").astype("datetime64[s]")) + "Z"


def _known_angle(box: Box, port: SimulatedPort) -> AngleReference:
    """One angle by inclinometer, good to its uncertainty, and the counts there."""
    described = next(item for item in box.channels if item.kind == ChannelKind.ARM_ANGLE)
    counts = _samples(box, 100, angle=True)
    shown = round(port.world.truth.arm_degrees, 1)
    click.echo(
        f"   arm angle by inclinometer: {shown:.1f} ± {2 * INCLINOMETER_U_DEGREES:.1f}° (k = 2)"
    )
    return AngleReference(
        float(np.mean(counts)), shown, INCLINOMETER_U_DEGREES, described.counts_per_turn
    )


def _record(seed: int, path: Path, found: _Found) -> None:
    click.echo(f"\n2. Recording {MINUTES} minutes: sweep, isometric efforts, slow repetitions")
    link = ReconnectingLink(lambda: _virtual_heron("session", seed))
    sheet = demo_sheet(_virtual_heron("session", seed).world.machine)
    plan = RecordingPlan(
        path,
        Subject("Heron", "C-001"),
        [
            Document(DocumentKind.CALIBRATION, found.calibration.to_json()),
            profile_document("heron"),
            sheet_document(sheet),
        ],
        duration_seconds=MINUTES * 60.0,
    )
    with progress_bar("   recording") as progress:
        recorder = Recorder(
            link, plan, lambda now: progress(int(now.elapsed_seconds * 10), MINUTES * 600)
        )
        result = recorder.run()
    click.echo(
        f"   {result.elapsed_seconds:.1f} s of virtual time, {result.samples_total} samples, "
        f"{result.size_bytes / 1e6:.1f} MB"
    )


def _validate(path: Path) -> Recording:
    click.echo("\n3. Validating: every CRC, every sequence number, rates and clock")
    with progress_bar("   validating") as progress:
        report = validate(path, progress)
    for line in report.lines():
        click.echo(f"   {line}")
    return read_recording(path)


def _report(torque: ArmTorque) -> list[PeakTorque]:
    click.echo("\n4. What was found: torque on the arm, weights of arm and body included")
    low, high = np.nanmin(torque.degrees), np.nanmax(torque.degrees)
    click.echo(f"   arm moved from {low:z.0f}° to {high:z.0f}° (forward bend positive)")
    third = (high - low) / 3.0
    peaks: list[PeakTorque] = []
    for number, name in enumerate(("extended", "middle", "flexed")):
        bounds = (low + number * third, low + (number + 1) * third)
        peak = peak_torque(torque, 0.5, *bounds)
        if peak is None:
            click.echo(f"   {name} third: no half second with sound readings")
            continue
        value = format_measurement(
            peak.torque_newton_metres, 2.0 * peak.standard_uncertainty, "N·m", 2.0
        )
        peaks.append(peak)
        beyond = " EXTRAPOLATED beyond the weights" if peak.extrapolated else ""
        click.echo(
            f"   {name} third, highest half-second mean: {value} at {peak.degrees:z.0f}°, "
            f"{peak.seconds:.0f} s{beyond}"
        )
    share = np.mean(torque.extrapolated)
    click.echo(
        f"   {100 * share:.1f} % of the samples lie beyond the calibrated range (here: pulls of "
        "the arm that are below zero)"
    )
    return peaks


def _next_steps(path: Path) -> None:
    click.echo("\nTry next (python is the one in .venv):")
    for command in (
        "steelyard show --port 'sim:heron?speed=max'",
        "steelyard watch --port sim:heron -s 10",
        f"steelyard validate {path} --json",
        f"steelyard report {path} --for clinician -o {path.parent}",
        f"steelyard recompute {path.with_suffix('.result.json')}",
        "steelyard record my-first --port 'sim:wren?client=rushed' -s 20",
        "steelyard calibrate --help",
        "steelyard --help",
    ):
        click.echo(f"   {command}")
    click.echo(
        "\nAn in-house measurement on simulated data; not a medical device, and no advice on "
        "training or treatment."
    )
