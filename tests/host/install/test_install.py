"""Installing on a board that is a folder, and answering as the virtual box does.

No real board was used: what mpremote says in each case is from its own source.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path

import pytest
from pytest_mock import MockerFixture
from steelyard.device import Box
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceError,
    DeviceNotFoundError,
    PortAccessError,
    PortBusyError,
    SteelyardError,
    WrongDeviceError,
)
from steelyard.install import Prompt, board_code, install
from steelyard.install.image import START_FILE, load_image
from steelyard.install.installation import CALL_FOR_PROMPT, board_port, read_crash_report
from steelyard.transport.serial_list import CandidatePort

PORT = "sim:heron?seed=5"
FAKE = Path(__file__).with_name("fake_mpremote.py")
MakePrompt = Callable[..., Prompt]


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A board with leftovers of an older installation, and the id of the virtual box."""
    with Box.open(PORT) as box:
        monkeypatch.setenv("FAKE_BOARD_ID", box.description.box_id_text)
    for name in ("box/old.py", "drivers/old.mpy", "main.py", "settings.a", "notes.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("left over")
    return tmp_path


@pytest.fixture
def prompt(board: Path) -> MakePrompt:
    def make(fault: str = "none") -> Prompt:
        return Prompt(PORT, [sys.executable, str(FAKE), str(board), fault])

    return make


def test_every_file_arrives_and_the_box_answers(board: Path, prompt: MakePrompt) -> None:
    steps: list[str] = []
    done = install(PORT, prompt=prompt(), progress=steps.append)
    image = load_image()
    assert done.files == len(image.files) > 20
    for name in image.files:
        arrived = hashlib.sha256((board / name).read_bytes()).hexdigest()
        assert arrived == image.digests()[name]
    assert done.description.firmware_version == image.version
    assert done.micropython == "1.28.0"
    assert len(steps) == 4


def test_old_modules_go_and_settings_stay(board: Path, prompt: MakePrompt) -> None:
    install(PORT, prompt=prompt())
    assert not (board / "box" / "old.py").exists()
    assert not (board / "drivers" / "old.mpy").exists()
    assert (board / "settings.a").read_text() == "left over"
    assert (board / "notes.txt").exists()
    assert not list(board.rglob("__pycache__"))


def test_what_starts_by_itself_goes_on_last(board: Path, prompt: MakePrompt) -> None:
    install(PORT, prompt=prompt())
    copies = [line for line in (board / "log.txt").read_text().splitlines() if "'cp " in line]
    assert len(copies) == 2
    with pytest.raises(DeviceError):
        install(PORT, prompt=prompt("full"))
    assert not (board / START_FILE).exists()  # half an installation starts nothing


class PowerCutError(Exception):
    """The power went."""


@pytest.mark.parametrize("removals", range(0, 60, 3))
def test_a_power_cut_between_two_removals_leaves_nothing_that_starts_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, removals: int
) -> None:
    image = load_image()
    image.stage(tmp_path)
    folders = {name.split("/")[0] for name in image.files if "/" in name}
    loose = [name for name in image.files if "/" not in name and name != START_FILE]
    code = board_code.clear(sorted(folders), (START_FILE, *loose))
    remove, left = os.remove, removals

    def remove_or_go(path: str) -> None:
        nonlocal left
        if not left:
            raise PowerCutError
        left -= 1
        remove(path)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(os, "remove", remove_or_go)
    with nullcontext() if removals >= len(image.files) else pytest.raises(PowerCutError):
        exec(code, {})  # as the board runs it
    assert (tmp_path / START_FILE).exists() == (removals == 0)
    left = len(image.files)
    exec(code, {})  # the next attempt finds half an installation
    assert not list(tmp_path.rglob("*.py"))


def test_the_box_gets_its_name(
    prompt: MakePrompt, mocker: MockerFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = mocker.spy(Box, "write_setting")
    install(PORT, name="Heron 1", prompt=prompt())
    assert written.call_args.kwargs["text"] == "Heron 1"


@pytest.mark.parametrize(
    ("fault", "error", "words"),
    [
        ("busy", PortBusyError, "another program"),
        ("absent", DeviceDisconnectedError, "cannot be opened"),
        ("no permission", PortAccessError, "udev"),
        ("no micropython", DeviceError, "BOOTSEL"),
        ("another python", DeviceError, "no board that the firmware runs on"),
        ("old", DeviceError, "runs MicroPython 1.19.0; the firmware was tried with 1.26 and newer"),
        ("nonsense", DeviceError, "instead of a report"),
        ("full", DeviceError, "No space left"),
        ("flipped bit", DeviceError, "box/wire.py"),
    ],
)
def test_each_failure_is_plain(
    prompt: MakePrompt, fault: str, error: type[SteelyardError], words: str
) -> None:
    with pytest.raises(error, match=words) as caught:
        install(PORT, prompt=prompt(fault))
    assert caught.value.advice
    assert "Traceback" not in str(caught.value)


def test_what_did_not_arrive_whole_is_not_left_to_start(board: Path, prompt: MakePrompt) -> None:
    with pytest.raises(DeviceError, match=r"box/wire\.py"):
        install(PORT, prompt=prompt("flipped bit"))
    assert not (board / START_FILE).exists()


def test_another_board_that_answers_is_refused(
    prompt: MakePrompt, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAKE_BOARD_ID", "ffffffffffffffff")
    with pytest.raises(WrongDeviceError, match="ffffffffffffffff"):
        install(PORT, prompt=prompt())


def test_a_box_that_does_not_answer_is_said(prompt: MakePrompt, mocker: MockerFixture) -> None:
    mocker.patch.object(Box, "open", side_effect=DeviceNotFoundError("Nobody there.", "Look."))
    with pytest.raises(DeviceNotFoundError, match="no box answered") as caught:
        install(PORT, prompt=prompt(), start_seconds=0.0)
    assert "crash.txt" in caught.value.advice


def test_a_box_with_other_firmware_is_said(prompt: MakePrompt, mocker: MockerFixture) -> None:
    image = load_image()
    other = type(image)(image.folder, image.files, "9.9.9")
    with pytest.raises(DeviceError, match=r"9\.9\.9"):
        install(PORT, prompt=prompt(), image=other)


def test_a_box_on_duty_is_asked_for_its_prompt_first(
    prompt: MakePrompt, mocker: MockerFixture, board: Path
) -> None:
    sent: list[bytes] = []

    class Port:
        def __enter__(self) -> Port:
            return self

        def __exit__(self, *error: object) -> None:
            sent.append(b"closed")

        def write(self, data: bytes) -> None:
            sent.append(data)

    mocker.patch("steelyard.install.installation.open_transport", return_value=Port())
    install(PORT, prompt=prompt())
    assert sent == [CALL_FOR_PROMPT, b"closed"]  # and mpremote finds the port free


def test_the_call_is_the_one_that_the_firmware_understands() -> None:
    source = (load_image().folder / "drivers" / "usb_link.py").read_text()
    assert f"PROMPT_AFTER_CTRL_C = {len(CALL_FOR_PROMPT)}\n" in source
    assert set(CALL_FOR_PROMPT) == {3}


def _candidates(*names: str) -> list[CandidatePort]:
    return [CandidatePort(name, "board", 0x2E8A, 5, "1", True) for name in names]


@pytest.mark.parametrize(
    ("ports", "words"), [((), "No board is plugged in"), (("COM3", "COM4"), "2 boards .* COM3")]
)
def test_none_and_two_boards_are_told_apart(
    mocker: MockerFixture, ports: tuple[str, ...], words: str
) -> None:
    mocker.patch("steelyard.install.installation.candidate_ports", return_value=_candidates(*ports))
    with pytest.raises(DeviceNotFoundError, match=words):
        board_port()
    assert board_port("COM9") == "COM9"


def test_the_one_board_is_found(mocker: MockerFixture) -> None:
    mocker.patch("steelyard.install.installation.candidate_ports", return_value=_candidates("COM3"))
    assert board_port() == "COM3"


def test_the_last_error_of_a_box_can_be_read(board: Path, prompt: MakePrompt) -> None:
    assert read_crash_report(prompt()) is None
    (board / "crash.txt").write_text("ValueError: load_counts = 5")
    assert read_crash_report(prompt()) == "ValueError: load_counts = 5"
    with pytest.raises(PortBusyError):
        read_crash_report(prompt("busy"))


def test_without_mpremote_it_says_what_to_install(mocker: MockerFixture) -> None:
    mocker.patch("importlib.util.find_spec", return_value=None)
    with pytest.raises(DeviceError, match="not installed") as caught:
        Prompt(PORT)
    assert "steelyard[install]" in caught.value.advice


def test_an_incomplete_firmware_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match="missing"):
        load_image(tmp_path)
    (tmp_path / START_FILE).write_text("")
    with pytest.raises(DeviceError, match="version"):
        load_image(tmp_path)
