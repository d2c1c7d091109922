"""A recording written aside: a slow, full or dead disk holds nobody up, and is told."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from host.recording.virtual_box import Cable, VirtualBox
from pytest_mock import MockerFixture
from steelyard.errors import RecordingStorageError
from steelyard.recording import append_file, tape_thread
from steelyard.recording.reader import read_recording
from steelyard.recording.recording_progress import RecordingProgress
from steelyard.recording.session import BoxSession, meet_box
from steelyard.recording.tape import Tape
from steelyard.recording.tape_thread import TapeThread
from steelyard.recording.validator import validate
from steelyard.recording.writer import RecordingWriter, annotation
from steelyard.transport.reconnecting import ReconnectingLink
from steelyard_protocol.records import AnnotationSource

PATIENCE_SECONDS = 60.0


def until(holds: Callable[[], bool]) -> None:
    """Wait for the tape's own thread."""
    end = time.monotonic() + PATIENCE_SECONDS
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.005)


class Live:
    """A box that streams already, and a tape that may join in."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "a.steelyard"
        self.box = VirtualBox()
        self.cable = Cable(self.box)
        self.link = ReconnectingLink(self.cable.open)
        self.session = BoxSession(self.link, meet_box(self.link))

    def run(self, seconds: float) -> None:
        end = self.box.seconds + seconds
        while self.box.seconds < end:
            self.session.step()

    def tape(self) -> TapeThread:
        writer = RecordingWriter(self.path, self.link.clock, outlives_disk=True)
        return TapeThread(Tape(writer, RecordingProgress(self.path, None)))


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Live]:
    made = Live(tmp_path)
    yield made
    made.link.finish()


def test_a_recording_that_begins_and_ends_in_mid_stream(live: Live) -> None:
    live.run(3.003)
    before = len(live.box.delivered)
    tape = live.tape()
    live.session.add_first(tape)
    live.run(5)
    live.session.remove(tape)
    after = len(live.box.delivered)
    live.run(1)
    tape.close()
    recording = read_recording(live.path)
    numbers = recording.loads[0].sequence.tolist()
    delivered = [number for _, number in live.box.delivered]
    # The frame under way at the start is in, the one under way at the end is not.
    assert numbers == delivered[before : before + len(numbers)]
    assert after - before - 1 <= len(numbers) <= after - before
    report = validate(live.path)
    assert report.findings == []
    assert report.is_closed
    assert [identity.box_id for identity in recording.identities] == [live.box.box_id]
    assert len(recording.time_marks) >= 18, "marks come faster at first, here too"
    assert tape.count().samples_total == len(numbers)
    assert tape.problem == ""


def test_an_outage_and_a_restart_are_written_with_their_own_times(live: Live) -> None:
    tape = live.tape()
    live.session.add_first(tape)
    live.cable.plan = [(2, live.cable.unplug), (3, live.box.reboot), (3.5, live.cable.plug)]
    live.run(6)
    live.session.end()
    tape.remark(annotation("done", AnnotationSource.OPERATOR, live.link.clock))
    tape.close()
    recording = read_recording(live.path)
    assert [change.state for change in recording.link_changes] == [1, 2, 1, 3]
    opened, lost, again, _ = [c.host_monotonic_ns / 1e9 for c in recording.link_changes]
    assert lost - opened == pytest.approx(2, abs=0.2)
    assert again - opened == pytest.approx(3.5, abs=0.6)
    assert len(recording.boot_ids) == 2
    assert len(recording.annotations) == 1
    assert {finding.code for finding in validate(live.path).findings} == {"link_lost", "reboots"}


class SlowDisk:
    """Every write waits until it is let go."""

    def __init__(self, mocker: MockerFixture) -> None:
        self.gate = threading.Event()
        self._real = os.write
        mocker.patch.object(append_file.os, "write", self)

    def __call__(self, descriptor: int, data: bytes) -> int:
        self.gate.wait(2 * PATIENCE_SECONDS)
        return self._real(descriptor, data)


def test_a_disk_that_stands_still_holds_nobody_up_and_nothing_is_lost(
    live: Live, mocker: MockerFixture
) -> None:
    tape = live.tape()
    live.session.add_first(tape)
    mocker.patch.object(tape_thread, "STALL_SECONDS", 0.05)
    disk = SlowDisk(mocker)
    begun = time.monotonic()
    live.run(30)
    assert time.monotonic() - begun < PATIENCE_SECONDS, "no write held the session up"
    until(lambda: "taken nothing" in tape.problem)
    assert "nothing is lost yet" in tape.problem
    assert tape.is_writing
    disk.gate.set()
    live.session.end()
    tape.close()
    numbers = read_recording(live.path).loads[0].sequence.tolist()
    assert numbers == [number for _, number in live.box.delivered]
    assert tape.problem == ""


def test_a_disk_that_never_comes_back_is_given_up(live: Live, mocker: MockerFixture) -> None:
    tape = live.tape()
    live.session.add_first(tape)
    live.run(2)
    until(lambda: not tape._tasks)
    mocker.patch.object(tape_thread, "QUEUE_BYTES", 20_000)
    mocker.patch.object(tape_thread, "CLOSING_SECONDS", 0.1)
    disk = SlowDisk(mocker)
    live.run(30)
    assert not tape.is_writing
    assert "bytes wait" in tape.problem
    assert tape.count().unwritten_bytes_total > 30_000
    with pytest.raises(RecordingStorageError, match="does not take the last"):
        tape.close()
    disk.gate.set()
    mocker.patch.object(tape_thread, "CLOSING_SECONDS", 10)
    tape.close()
    report = validate(live.path)
    assert report.frames_bad_total == 0
    assert report.missing_total == 0


def test_a_full_disk_is_told_and_the_session_goes_on(live: Live, mocker: MockerFixture) -> None:
    tape = live.tape()
    live.session.add_first(tape)
    live.run(2)
    until(lambda: tape.count().samples_total > 100 and not tape._tasks)
    full = OSError(errno.ENOSPC, "No space left on device")
    mocker.patch.object(append_file.os, "write", side_effect=full)
    live.run(2)
    until(lambda: not tape.is_writing)
    assert "Free some space" in tape.problem
    seen = len(live.box.delivered)
    live.run(2)
    assert len(live.box.delivered) > seen + 100
    mocker.stopall()
    tape.close()
    report = validate(live.path)
    assert report.frames_bad_total == 0
    assert 100 < report.channels[0].samples_total < seen


def test_a_fault_of_the_program_is_told_too(live: Live, mocker: MockerFixture) -> None:
    tape = live.tape()
    live.session.add_first(tape)
    mocker.patch.object(Tape, "heard", side_effect=ZeroDivisionError("made up"))
    live.run(1)
    until(lambda: not tape.is_writing)
    assert "made up" in tape.problem
    tape.close()
