"""A visit on the whole virtual box, recorded, then analysed: from file, live, by command."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from command_line import Done, run
from host.report.sessions import calibrated, record_session, virtual_box
from host.strength.visit import LoadedColumns, linear_scale
from steelyard.recording.reader import Recording, read_recording
from steelyard.strength.analysis_lines import plain
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.recorded_signals import profile_angle, signals_of
from steelyard.strength.sample_columns import LoadColumns
from steelyard.strength.session_analysis import SessionAnalysis, SessionFacts, analyse_session
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.records import LoadSample

ROOT = Path(__file__).resolve().parents[3]
PROFILE = ready_profile("heron")


@pytest.fixture(scope="module")
def recording(session_path: Path) -> Recording:
    return read_recording(session_path)


def command(*words: str) -> Done:
    return run("analyse", *words)


@pytest.mark.slow
def test_the_command_prints_figures_with_uncertainty(recording: Recording) -> None:
    done = command(str(recording.path), "--turns", "38")
    assert done.returncode == 0, done.stderr
    assert "balance: at most" in done.stdout
    assert "isometric test 1" in done.stdout
    assert "peak" in done.stdout
    assert "±" in done.stdout
    assert "not a medical device" in done.stdout
    again = command(str(recording.path), "--json")
    values = json.loads(again.stdout)
    assert values["balance"]["friction"]["expanded_uncertainty"] > 0.0
    assert values["tests"][0]["stations"][0]["efforts"][0]["peak"]["unit"] == "N·m"


@pytest.mark.slow
def test_wrong_machine_and_missing_calibration_are_plain_errors(
    recording: Recording, tmp_path: Path
) -> None:
    wrong = command(str(recording.path), "--machine", "wren")
    assert wrong.returncode == 1
    assert "Wren" in wrong.stderr
    assert "Traceback" not in wrong.stderr
    bare = record_session(tmp_path / "bare.steelyard", 3.0, calibrate=False)
    missing = command(str(bare))
    assert missing.returncode == 1
    assert "no calibration" in missing.stderr
    other = tmp_path / "other.calibration.json"
    other.write_text(calibrated(virtual_box(), "ffeeddccbbaa9988").to_json(), encoding="ascii")
    swapped = command(str(recording.path), "-c", str(other))
    assert swapped.returncode == 1
    assert "ffeeddccbbaa9988" in swapped.stderr


def analysed(load: LoadColumns) -> SessionAnalysis:
    scale = linear_scale(2150.0, 0.0, PROFILE.moment_arm)
    signals = signals_of(load, scale, profile_angle(PROFILE))
    return analyse_session(signals, PROFILE, SessionFacts())


def live(raw: bytes, sizes: list[int]) -> LoadedColumns:
    """The same samples as they come in pieces of any size, one message at a time."""
    decoder, rows, start, piece = StreamDecoder(), [], 0, 0
    while start < len(raw):
        end = start + sizes[piece % len(sizes)]
        for event in decoder.feed(raw[start:end]):
            record = event.record if isinstance(event, Message) else None
            if isinstance(record, LoadSample) and record.channel == 0:
                rows.append(record)
        start, piece = end, piece + 1
    columns = {name: np.array([getattr(row, name) for row in rows]) for name in rows[0]._fields}
    ticks = columns["device_ticks_us"].astype(np.int64)
    wraps = np.cumsum(np.concatenate([[0], np.diff(ticks) < 0])) * (1 << 30)
    return LoadedColumns(
        sequence=columns["sequence"].astype(np.uint32),
        boot_index=np.zeros(len(rows), np.int32),
        device_us=ticks + wraps,
        host_unix_ns=np.zeros(len(rows), np.int64),
        flags=columns["flags"].astype(np.uint16),
        angle_counts=columns["angle_counts"].astype(np.int32),
        load_counts=columns["load_counts"].astype(np.int32),
        angle_age_us=columns["angle_age_us"].astype(np.uint16),
    )


@pytest.mark.slow
@pytest.mark.parametrize("sizes", [[1 << 20], [61, 1, 700, 33]])
def test_live_in_any_pieces_gives_what_the_recording_gives(
    recording: Recording, sizes: list[int]
) -> None:
    stored = plain(analysed(recording.loads[0]))
    streamed = plain(analysed(live(recording.path.read_bytes(), sizes)))
    assert stored["balance"] is not None
    assert stored["tests"][0]["stations"]
    assert streamed == stored
