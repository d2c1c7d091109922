"""The recorder against the real firmware in the simulator, faults included."""

from __future__ import annotations

from pathlib import Path

import pytest
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.recording.validation_report import ValidationReport, Verdict
from steelyard.recording.validator import validate
from steelyard.transport.reconnecting import ReconnectingLink


def _record(folder: Path, port: str, seconds: float) -> ValidationReport:
    path = folder / "visit.steelyard"
    Recorder(ReconnectingLink(port), RecordingPlan(path, duration_seconds=seconds)).run()
    return validate(path)


def test_an_untroubled_box_gives_a_sound_recording(tmp_path: Path) -> None:
    report = _record(tmp_path, "sim:heron?speed=max", 10)
    assert report.findings == []
    assert [channel.kind for channel in report.channels] == [
        "load",
        "load",
        "arm_angle",
        "roller_angle",
    ]
    assert report.channels[2].measured_rate_hz == pytest.approx(200, rel=1e-3)
    assert report.boots[0].clock_residual_rms_us is not None
    assert report.boots[0].clock_residual_rms_us < 2000


@pytest.mark.parametrize(
    ("faults", "codes"),
    [
        ("unplug@4+2", {"link_lost", "reboots"}),
        ("reboot@4", {"reboots"}),
        ("cable@4+2", {"link_lost", "gaps"}),
        ("deaf@4+3", {"gaps"}),
        ("saturate_high@4+1", {"flagged_samples"}),
    ],
)
def test_every_trouble_is_accounted_for(tmp_path: Path, faults: str, codes: set[str]) -> None:
    report = _record(tmp_path, f"sim:heron?speed=max&faults={faults}", 12)
    assert {finding.code for finding in report.findings} == codes
    assert report.verdict is Verdict.REMARKS
    assert report.frames_bad_total == 0


def test_what_a_stalled_host_cost_is_what_the_box_says_it_dropped(tmp_path: Path) -> None:
    report = _record(tmp_path, "sim:heron?speed=max&faults=deaf@4+3", 15)
    assert report.missing_total > 100
    for channel in report.channels:
        assert channel.missing_total == channel.dropped_by_box_total
        assert channel.counters_agree


def test_a_noisy_line_damages_frames_and_explains_every_missing_sample(tmp_path: Path) -> None:
    report = _record(tmp_path, "sim:heron?speed=max&faults=corrupt@3+5", 12)
    assert report.verdict is Verdict.DAMAGED
    assert report.frames_bad_total > 20
    assert "bad_frames" in {finding.code for finding in report.findings}
    assert "unexplained_gaps" not in {finding.code for finding in report.findings}
