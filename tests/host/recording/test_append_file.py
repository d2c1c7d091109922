"""The file only grows, is locked, reaches the disk in time, and fails cleanly."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from pytest_mock import MockerFixture
from steelyard.errors import RecordingStorageError
from steelyard.recording.append_file import AppendFile, is_being_written


def test_appends_are_in_the_file_at_once(tmp_path: Path) -> None:
    file = AppendFile(tmp_path / "a.steelyard")
    file.append(b"abc")
    file.append(b"")
    file.append(b"def")
    assert (tmp_path / "a.steelyard").read_bytes() == b"abcdef"
    assert file.size_bytes == 6
    file.close()
    file.close()


def test_an_existing_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.steelyard"
    path.write_bytes(b"precious")
    with pytest.raises(RecordingStorageError, match="exists already"):
        AppendFile(path)
    assert path.read_bytes() == b"precious"


def test_a_second_recorder_is_told_that_the_first_is_at_work(tmp_path: Path) -> None:
    path = tmp_path / "a.steelyard"
    first = AppendFile(path)
    assert is_being_written(path)
    with pytest.raises(RecordingStorageError, match="being recorded right now"):
        AppendFile(path)
    first.append(b"goes on")
    first.close()
    assert not is_being_written(path)
    assert path.read_bytes() == b"goes on"


def test_a_second_recorder_in_another_process_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.steelyard"
    first = AppendFile(path)
    program = (
        "import sys, pathlib\n"
        "from steelyard.recording.append_file import AppendFile\n"
        "from steelyard.errors import RecordingStorageError\n"
        "try:\n    AppendFile(pathlib.Path(sys.argv[1]))\n"
        "except RecordingStorageError as error:\n    sys.exit(str(error))\n"
    )
    answer = subprocess.run(
        [sys.executable, "-c", program, str(path)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    first.close()
    assert answer.returncode == 1
    assert "being recorded right now" in answer.stderr


def test_nothing_is_appended_after_the_end(tmp_path: Path) -> None:
    file = AppendFile(tmp_path / "a.steelyard")
    file.close()
    with pytest.raises(RecordingStorageError, match="closed after 0 bytes"):
        file.append(b"late")


def test_sync_follows_the_timer_and_only_when_there_is_something(tmp_path: Path) -> None:
    now = [0]
    file = AppendFile(tmp_path / "a.steelyard", 1.0, real_time_ns=lambda: now[0])
    file.append(b"one")
    now[0] = 999_999_999
    file.append(b"two")
    assert file.syncs_total == 0
    now[0] = 1_000_000_000
    file.sync_if_due()
    assert file.syncs_total == 1
    now[0] = 5_000_000_000
    file.sync_if_due()
    assert file.syncs_total == 1
    file.close()
    assert file.syncs_total == 2


@contextlib.contextmanager
def _as_nobody() -> Iterator[None]:
    """Root may write anywhere; for a moment be somebody who may not."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")
def test_a_read_only_folder_is_refused_by_the_system(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with _as_nobody(), pytest.raises(RecordingStorageError, match="Permission denied"):
        AppendFile(tmp_path / "a.steelyard")
    tmp_path.chmod(0o700)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("number", "advice"),
    [
        (errno.EACCES, "folder of your own"),
        (errno.EROFS, "read-only"),
        (errno.ENOENT, "Make the folder"),
        (errno.ENOSPC, "Free some space"),
        (errno.EIO, "Check the disk"),
    ],
)
def test_what_to_do_fits_the_reason(
    tmp_path: Path, mocker: MockerFixture, number: int, advice: str
) -> None:
    mocker.patch(
        "steelyard.recording.append_file.os.open", side_effect=OSError(number, os.strerror(number))
    )
    with pytest.raises(RecordingStorageError, match=advice) as caught:
        AppendFile(tmp_path / "a.steelyard")
    assert f"errno {number}" in str(caught.value)
    assert os.strerror(number) in str(caught.value)
    assert isinstance(caught.value.__cause__, OSError)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RecordingStorageError, match="Make the folder first"):
        AppendFile(tmp_path / "missing" / "a.steelyard")


def test_a_path_with_a_null_byte_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingStorageError, match="null"):
        AppendFile(tmp_path / "a\x00.steelyard")


def test_short_writes_are_finished(tmp_path: Path, mocker: MockerFixture) -> None:
    real = os.write
    mocker.patch(
        "steelyard.recording.append_file.os.write", side_effect=lambda fd, data: real(fd, data[:3])
    )
    file = AppendFile(tmp_path / "a.steelyard")
    file.append(b"0123456789")
    file.close()
    assert (tmp_path / "a.steelyard").read_bytes() == b"0123456789"


def test_after_a_failure_nothing_more_is_written(tmp_path: Path, mocker: MockerFixture) -> None:
    path = tmp_path / "a.steelyard"
    file = AppendFile(path)
    file.append(b"good")
    full = OSError(errno.ENOSPC, "No space left on device")
    mocker.patch("steelyard.recording.append_file.os.write", side_effect=full)
    with pytest.raises(RecordingStorageError, match="No space left"):
        file.append(b"lost")
    mocker.stopall()
    with pytest.raises(RecordingStorageError, match="No space left"):
        file.append(b"there is room again, but a hole would be in between")
    file.close()
    assert path.read_bytes() == b"good"
    assert not is_being_written(path)


def test_a_failing_sync_is_reported_even_at_close(tmp_path: Path, mocker: MockerFixture) -> None:
    file = AppendFile(tmp_path / "a.steelyard")
    file.append(b"good")
    mocker.patch("steelyard.recording.append_file.os.fsync", side_effect=OSError(errno.EIO, "I/O"))
    with pytest.raises(RecordingStorageError, match="bring to the disk"):
        file.close()
    assert not is_being_written(tmp_path / "a.steelyard")


@pytest.mark.skipif(os.name == "nt", reason="POSIX file size limit")
def test_a_really_full_disk(tmp_path: Path) -> None:
    """The system itself refuses at 1000 bytes (RLIMIT_FSIZE), in the middle of an append."""
    resource = pytest.importorskip("resource")

    program = (
        "import sys, pathlib\n"
        "from steelyard.recording.append_file import AppendFile\n"
        "from steelyard.errors import RecordingStorageError\n"
        "file = AppendFile(pathlib.Path(sys.argv[1]))\n"
        "try:\n    [file.append(b'x' * 96) for _ in range(20)]\n"
        "except RecordingStorageError as error:\n    file.close(); sys.exit(str(error))\n"
    )

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))

    path = tmp_path / "a.steelyard"
    answer = subprocess.run(
        [sys.executable, "-B", "-c", program, str(path)],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=limit,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert answer.returncode == 1
    assert "File too large" in answer.stderr
    assert path.read_bytes() == b"x" * 1000
