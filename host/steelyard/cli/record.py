"""``steelyard record``."""

from __future__ import annotations

import signal
from pathlib import Path
from types import FrameType

import click
from steelyard_protocol.records import DocumentKind

from steelyard.calibration import load_calibration
from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import (
    calibrations_option,
    json_option,
    port_option,
    seconds_option,
    sheet_option,
)
from steelyard.cli.words import StatusLine, write_json
from steelyard.device.discovery import parse_box_id
from steelyard.recording.documents import Document
from steelyard.recording.file_format import Subject
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.recording.recording_progress import RecordingProgress
from steelyard.recording.writer import with_suffix
from steelyard.report.sources import profile_document, sheet_document
from steelyard.strength.profile_file import load_profile
from steelyard.strength.session_sheet import load_sheet
from steelyard.transport.reconnecting import ReconnectingLink


@click.command()
@click.argument("recording", type=click.Path(path_type=Path), metavar="RECORDING")
@port_option
@seconds_option
@click.option("--machine", default="", help="Machine, at most 16 letters, e.g. Heron.")
@click.option("--client", default="", help="Client by code, never by name, e.g. C-001.")
@click.option("--note", multiple=True, help="A remark to keep with the recording.")
@click.option("--box", "box_id", metavar="ID", help="Accept only the box with this id.")
@calibrations_option
@sheet_option
@click.option(
    "--profile",
    metavar="NAME|FILE",
    help="Profile of the machine to keep in the recording: heron, wren or a file.",
)
@json_option
def record(
    recording: Path,
    port: str | None,
    seconds: float | None,
    machine: str,
    client: str,
    note: tuple[str, ...],
    box_id: str | None,
    calibration_paths: tuple[Path, ...],
    sheet_path: Path | None,
    profile: str | None,
    as_json: bool,
) -> None:
    """Record a box for a time or until Ctrl-C.

    When the box is unplugged or starts anew, recording waits and goes on in the same
    file. An existing file is never written over. Calibrations, session sheet and machine
    profile are kept in the recording, which then explains itself alone; what is wrong in the
    sheet is corrected later in NAME.sheet.json beside it.
    """
    documents = [
        Document(DocumentKind.CALIBRATION, load_calibration(path).to_json())
        for path in calibration_paths
    ]
    documents += [sheet_document(load_sheet(sheet_path))] if sheet_path else []
    if profile:
        documents.append(profile_document(profile))
        of_machine = load_profile(profile)
        machine = machine or of_machine.name
        of_machine.require(machine, "")
    plan = RecordingPlan(
        with_suffix(recording),
        Subject(machine, client),
        [*documents, *(Document(DocumentKind.NOTE, text) for text in note)],
        seconds,
        parse_box_id(box_id) if box_id else None,
    )
    line = StatusLine()
    recorder = Recorder(
        ReconnectingLink(chosen_port(port)), plan, lambda progress: line.show(_live(progress))
    )
    before = _stop_on_signals(recorder)
    try:
        progress = recorder.run()
    finally:
        line.clear()
        for number, handler in before.items():
            signal.signal(number, handler)
    if as_json:
        write_json({**vars(progress), "path": str(progress.path)})
    else:
        click.echo(_summary(progress))


def _stop_on_signals(recorder: Recorder) -> dict[signal.Signals, signal.Handlers]:
    """Let Ctrl-C and a polite kill end the recording whole."""

    def stop(number: int, frame: FrameType | None) -> None:
        recorder.stop()

    before = {}
    for number in (signal.SIGINT, signal.SIGTERM):
        before[number] = signal.signal(number, stop)
    return before  # type: ignore[return-value]


def _live(progress: RecordingProgress) -> str:
    if progress.waiting_because:
        reason = progress.waiting_because.split(". ")[0]
        return f"{progress.elapsed_seconds:6.1f} s, WAITING for the box: {reason}"
    of = f" of {progress.duration_seconds:g}" if progress.duration_seconds else ""
    return (
        f"recording {progress.elapsed_seconds:6.1f}{of} s, {progress.samples_total} samples, "
        f"{progress.missing_total} missing, {progress.size_bytes / 1e6:.1f} MB"
    )


def _summary(progress: RecordingProgress) -> str:
    lines = [
        f"{progress.path}: {progress.elapsed_seconds:.1f} s, {progress.samples_total} samples, "
        f"{progress.size_bytes / 1e6:.2f} MB",
        f"missing {progress.missing_total} samples, {progress.corrupt_frames_total} corrupt "
        f"frames, link lost {progress.losses_total} times, {progress.reboots_total} restarts "
        "of the box",
        f"check it with: steelyard validate {progress.path}",
    ]
    return "\n".join(lines)
