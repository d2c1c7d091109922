"""A wall clock that is set while recording, and a second recorder on the same box."""

from __future__ import annotations

import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from host.recording.virtual_box import Cable, SleepingClock, VirtualBox
from steelyard.errors import PortBusyError, RecordingStorageError
from steelyard.recording.reader import read_recording
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.recording.validator import validate
from steelyard.simulator.pty import PtyBox
from steelyard.transport.reconnecting import ReconnectingLink


@dataclass
class SteppingClock(SleepingClock):
    """A virtual host whose wall clock somebody sets."""

    wall_ahead_ns: int = 0

    def unix_ns(self) -> int:
        return super().unix_ns() + self.wall_ahead_ns


@pytest.mark.parametrize("hours", [-1, 1, 24 * 365])
def test_a_wall_clock_set_while_recording(tmp_path: Path, hours: int) -> None:
    """Summer time by hand, or a flat clock battery: the samples keep their order and distance."""
    clock = SteppingClock()
    box = VirtualBox(clock)
    cable = Cable(box)

    def set_wall_clock() -> None:
        clock.wall_ahead_ns = hours * 3600 * 10**9

    cable.plan = [(5, set_wall_clock)]
    path = tmp_path / "a.steelyard"
    Recorder(ReconnectingLink(cable.open), RecordingPlan(path, duration_seconds=12)).run()
    report = validate(path)
    assert report.wall_clock_steps_total == 1
    assert "wall_clock_steps" in {finding.code for finding in report.findings}
    samples = read_recording(path).loads[0]
    steps_us = np.diff(samples.host_unix_ns) / 1000
    assert len(samples) == len(box.delivered)
    assert np.abs(steps_us - 12_500).max() < 100


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_second_recorder_on_the_same_box_is_told_and_harms_nothing(tmp_path: Path) -> None:
    with PtyBox("heron?task=rest&speed=4") as box:
        first = Recorder(
            ReconnectingLink(str(box.path)), RecordingPlan(tmp_path / "first.steelyard")
        )
        thread = threading.Thread(target=first.run)
        thread.start()
        try:
            deadline = time.monotonic() + 120
            while first.progress.samples_total < 50 and time.monotonic() < deadline:
                time.sleep(0.01)
            other = RecordingPlan(tmp_path / "second.steelyard", duration_seconds=1)
            with pytest.raises(PortBusyError, match="another program"):
                Recorder(ReconnectingLink(str(box.path)), other).run()
            same_file = RecordingPlan(first.progress.path, duration_seconds=1)
            with pytest.raises(RecordingStorageError, match="being recorded right now"):
                Recorder(ReconnectingLink("sim:heron?speed=max"), same_file).run()
            seen = first.progress.samples_total
            while first.progress.samples_total < seen + 50 and time.monotonic() < deadline:
                time.sleep(0.01)
        finally:
            first.stop()
            thread.join()
    assert not other.path.exists()
    report = validate(first.progress.path)
    assert not any(finding.is_damage for finding in report.findings)
    assert report.missing_total == 0
    assert report.channels[0].samples_total > 20
