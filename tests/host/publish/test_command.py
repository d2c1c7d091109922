"""``steelyard publish`` as a person starts it."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner
from command_line import environment
from host.publish.paced_boxes import PacedBoxes
from host.publish.test_frames_and_text import force
from steelyard.calibration import Binding, save_calibration
from steelyard.calibration.register import Register
from steelyard.cli.publish import publish
from steelyard.errors import ControlError, RecordingStorageError, WrongBoxError
from steelyard.publish import AddressError, BoxSource
from steelyard.publish.acquisition import Acquisition
from steelyard.publish.bulletin import Bulletin


@contextmanager
def running(box: PacedBoxes, *words: str) -> Iterator[subprocess.Popen[str]]:
    port = f"socket://127.0.0.1:{box.numbers[0]}"
    with subprocess.Popen(
        [sys.executable, "-m", "steelyard.cli", "publish", "--port", port, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**environment(), "PYTHONUNBUFFERED": "1"},
    ) as process:
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signals to send")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_serves_until_it_is_told_to_stop(box: PacedBoxes, how: signal.Signals) -> None:
    with running(box, "--lines", "0", "--websocket", "0", "--site", "saltmarsh") as process:
        assert process.stdout is not None
        words = process.stdout.readline().split()
        assert words[:2] == ["JSON", "lines:"]
        assert "ws://127.0.0.1:" in process.stdout.readline()
        with socket.create_connection(("127.0.0.1", int(words[2].split(":")[1])), 60) as link:
            stream = link.makefile("rb")
            assert json.loads(stream.readline())["site"] == "saltmarsh"
            process.send_signal(how)
            last = [json.loads(line) for line in stream if line.endswith(b"\n")][-1]
            assert last == {**last, "type": "link", "live": False, "reason": "the broker ends"}
            stream.close()
        _, err = process.communicate(timeout=60)
        assert process.returncode == 0
        assert err == ""


def arguments(box: PacedBoxes, *words: str) -> list[str]:
    port = f"socket://127.0.0.1:{box.numbers[0]}"
    return ["--port", port, "--lines", "0", "--websocket", "off", "--seconds", "0.3", *words]


def test_it_warns_before_it_opens_to_the_network(box: PacedBoxes) -> None:
    done = CliRunner().invoke(publish, arguments(box, "--bind", "0.0.0.0"))
    assert done.exit_code == 0
    assert "warning: Serving on 0.0.0.0" in done.stderr
    assert "WebSocket" not in done.stdout
    quiet = CliRunner().invoke(publish, arguments(box))
    assert quiet.stderr == ""


def test_a_foreign_calibration_is_refused_at_the_start(box: PacedBoxes, tmp_path: Path) -> None:
    path = save_calibration(force(), tmp_path)
    done = CliRunner().invoke(publish, arguments(box, "--calibration", str(path)))
    assert isinstance(done.exception, WrongBoxError)


def test_a_folder_of_calibrations_gives_those_in_force(box: PacedBoxes, tmp_path: Path) -> None:
    description = ("e661000000000000", 0, "SN-0", 128, "0.1.0")
    made = force(bound_to=Binding(*description))
    Register(tmp_path, description[0], 0).put_in_force(made, "2025-06-01T10:00:00Z", "T-2")
    port = f"socket://127.0.0.1:{box.numbers[0]}"

    def post(bulletin: Bulletin) -> None:
        told.append(json.loads(bulletin.body))

    told: list[dict[str, object]] = []
    acquisition = Acquisition(BoxSource(port, calibration_folders=(tmp_path,)), post)
    acquisition.stop()
    assert [item.calibration_id for item in acquisition.announcer.calibrations] == [
        made.calibration_id
    ]
    assert told[0]["type"] == "metadata"


@pytest.mark.parametrize("word", ["-2", "70000", "x", "1.5", "²"])
def test_no_port_number(box: PacedBoxes, word: str) -> None:
    done = CliRunner().invoke(publish, [*arguments(box), "--lines", word])
    assert done.exit_code == 2
    assert "65535" in done.stderr


def test_no_site(box: PacedBoxes) -> None:
    done = CliRunner().invoke(publish, arguments(box, "--site", "a/b"))
    assert isinstance(done.exception, AddressError)


def test_a_control_door_needs_a_token(box: PacedBoxes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("STEELYARD_CONTROL_TOKEN", raising=False)
    done = CliRunner().invoke(publish, [*arguments(box), "--control", "0"])
    assert isinstance(done.exception, ControlError)
    assert "STEELYARD_CONTROL_TOKEN" in done.exception.advice


def test_addresses_for_another_program(
    box: PacedBoxes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEELYARD_CONTROL_TOKEN", "a-token-for-tests-only")
    folder = tmp_path / "new" / "recordings"
    words = ["--control", "0", "--recordings", str(folder), "--json"]
    done = CliRunner().invoke(publish, [*arguments(box), *words])
    assert done.exit_code == 0
    said = json.loads(done.stdout)
    assert said["control"][0] == "127.0.0.1"
    assert said["websocket"] is None
    assert folder.is_dir()


def test_a_folder_that_cannot_be_made(box: PacedBoxes, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = CliRunner().invoke(publish, [*arguments(box), "--recordings", str(tmp_path / "file/a")])
    assert isinstance(done.exception, RecordingStorageError)
