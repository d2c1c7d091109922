"""A disk that fills or goes away under a running session: live goes on, nothing written is harmed.

The disk fails at every write in turn, by a fake; and for real, on a file system
of 96 kB that the system itself fills.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from host.recording.virtual_box import Cable, VirtualBox
from pytest_mock import MockerFixture
from steelyard.device import Poll
from steelyard.errors import RecordingStorageError
from steelyard.recording import append_file
from steelyard.recording.append_file import AppendFile
from steelyard.recording.reader import read_recording
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.recording.recording_progress import RecordingProgress
from steelyard.recording.validator import validate
from steelyard.transport.reconnecting import ReconnectingLink
from steelyard_protocol.decoder import Message
from steelyard_protocol.records import LoadSample


class Operator:
    """Follows the session live and notes when the disk's refusal was told."""

    def __init__(self) -> None:
        self.seen = 0
        self.told_at: list[tuple[str, int]] = []

    def follow(self, poll: Poll) -> None:
        events = [event for event in poll.events if isinstance(event, Message)]
        self.seen += sum(isinstance(event.record, LoadSample) for event in events)

    def listen(self, progress: RecordingProgress) -> None:
        if progress.storage_problem:
            self.told_at.append((progress.storage_problem, progress.samples_total))


def run_session(path: Path, operator: Operator, seconds: float = 4) -> VirtualBox:
    box = VirtualBox()
    plan = RecordingPlan(path, duration_seconds=seconds)
    link = ReconnectingLink(Cable(box).open)
    Recorder(link, plan, operator.listen, operator.follow).run()
    return box


class FailingDisk:
    """Calls of one function of the system; from the n-th on they fail."""

    def __init__(self, real: Callable[..., int | None], failing_from: int, number: int) -> None:
        self.calls = 0
        self._real = real
        self._failing_from = failing_from
        self._number = number

    def __call__(self, descriptor: int, *rest: object) -> int | None:
        self.calls += 1
        if self.calls > self._failing_from:
            raise OSError(self._number, os.strerror(self._number))
        return self._real(descriptor, *rest)


@pytest.mark.parametrize(("name", "number"), [("write", errno.ENOSPC), ("fsync", errno.EIO)])
def test_a_disk_that_fails_at_every_call_in_turn(
    tmp_path: Path, mocker: MockerFixture, name: str, number: int
) -> None:
    def failing(calls: int) -> FailingDisk:
        disk = FailingDisk(getattr(os, name), calls, number)
        mocker.patch.object(append_file.os, name, disk)
        # Virtual sessions take no time: let every append be due for the disk.
        mocker.patch.object(AppendFile, "sync_if_due", AppendFile.sync)
        return disk

    sound = failing(10**9)
    untroubled = Operator()
    whole = run_session(tmp_path / "whole.steelyard", untroubled)
    mocker.stopall()
    assert sound.calls > 50
    assert untroubled.told_at == []
    step = max(1, sound.calls // 25)
    for calls in range(3, sound.calls, step):
        operator = Operator()
        path = tmp_path / f"{calls}.steelyard"
        failing(calls)
        with pytest.raises(RecordingStorageError, match=os.strerror(number)):
            run_session(path, operator)
        mocker.stopall()
        # The fake delivers by its own clock, so a box's last sample may differ by one.
        assert abs(operator.seen - len(whole.delivered)) <= 1
        assert operator.told_at, "the operator was told"
        report = validate(path)
        assert report.frames_bad_total == 0
        assert report.missing_total == 0


def test_the_operator_is_told_at_once(tmp_path: Path, mocker: MockerFixture) -> None:
    operator = Operator()
    mocker.patch.object(append_file.os, "write", FailingDisk(os.write, 40, errno.ENOSPC))
    with pytest.raises(RecordingStorageError):
        run_session(tmp_path / "a.steelyard", operator)
    mocker.stopall()
    text, samples = operator.told_at[0]
    assert "No space left" in text
    assert "Free some space" in text
    written = len(read_recording(tmp_path / "a.steelyard").loads[0])
    assert written <= samples <= written + 8
    assert operator.seen > written + 200


def test_nobody_following_means_that_it_ends_at_once(tmp_path: Path, mocker: MockerFixture) -> None:
    box = VirtualBox()
    mocker.patch.object(append_file.os, "write", FailingDisk(os.write, 40, errno.ENOSPC))
    plan = RecordingPlan(tmp_path / "a.steelyard", duration_seconds=3600)
    recorder = Recorder(ReconnectingLink(Cable(box).open), plan)
    with pytest.raises(RecordingStorageError, match="Free some space"):
        recorder.run()
    assert box.seconds < 60


def test_a_disk_that_refuses_the_header_refuses_the_session(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    """Before anything is recorded there is time to choose another folder."""
    mocker.patch.object(append_file.os, "write", FailingDisk(os.write, 0, errno.ENOSPC))
    operator = Operator()
    with pytest.raises(RecordingStorageError, match="Free some space"):
        run_session(tmp_path / "a.steelyard", operator)
    assert operator.seen == 0


def test_header_and_name_are_on_the_disk_before_the_first_sample(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    synced: list[str] = []
    real = os.fsync

    def fsync(descriptor: int) -> None:
        facts = os.fstat(descriptor)
        synced.append("folder" if stat.S_ISDIR(facts.st_mode) else f"{facts.st_size}")
        real(descriptor)

    mocker.patch.object(append_file.os, "fsync", fsync)
    run_session(tmp_path / "a.steelyard", Operator(), 1)
    if sys.platform != "win32":
        assert synced[0] == "folder"
        assert int(synced[1]) >= 96


_ON_A_SMALL_DISK = """
import sys
from pathlib import Path
from host.recording.test_storage_faults import Operator, run_session
from steelyard.errors import RecordingStorageError
operator = Operator()
try:
    run_session(Path(sys.argv[1]), operator, 60)
except RecordingStorageError as error:
    print(operator.seen, len(operator.told_at), error)
"""


def test_a_file_system_of_96_kilobytes(tmp_path: Path) -> None:
    """A file system in memory, in a name space of its own, which the recording fills."""
    folder = tmp_path / "small"
    folder.mkdir()
    keep = tmp_path / "kept.steelyard"
    unshare = shutil.which("unshare")
    script = (
        'mount -t tmpfs -o size=96k tmpfs "$1" || exit 77\n'
        '"$2" -c "$3" "$1/a.steelyard"\n'
        'cp "$1/a.steelyard" "$4"\n'
    )
    words = ["-Urm", "sh", "-c", script, "sh", str(folder), sys.executable, _ON_A_SMALL_DISK]
    if unshare is None:
        pytest.skip("no name spaces here")
    answer = subprocess.run(
        [unshare, *words, str(keep)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    if answer.returncode == 77 or not keep.exists():
        pytest.skip(f"no file system of one's own here: {answer.stderr.strip()}")
    seen, told, _ = answer.stdout.split(maxsplit=2)
    assert int(seen) == pytest.approx(60 * 80, abs=10)
    assert int(told) >= 1
    assert "No space left" in answer.stdout
    report = validate(keep)
    assert 90_000 < report.size_bytes <= 98_304
    assert report.frames_bad_total == 0
    assert report.missing_total == 0
    assert report.channels[0].samples_total > 2000
