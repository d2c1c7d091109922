"""The steps that make a board a box, in their order, each one checked.

A board that is on duty does not listen to Ctrl-C, so it is asked for its prompt
first.  `main.py` goes last and comes off first: an installation that breaks off
leaves a board that starts nothing and takes the next attempt.
"""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from steelyard_protocol.records import SettingKey

from steelyard.device import Box, BoxDescription
from steelyard.device.discovery import ports_to_ask
from steelyard.errors import DeviceError, DeviceNotFoundError, InstallError, WrongDeviceError
from steelyard.install import board_code
from steelyard.install.image import START_FILE, FirmwareImage, load_image
from steelyard.install.prompt import Prompt
from steelyard.transport import open_transport
from steelyard.transport.serial_list import candidate_ports

CALL_FOR_PROMPT: Final = b"\x03" * 64
"""What makes a box on duty give its prompt back (firmware: drivers/usb_link.py)."""

OLDEST_MICROPYTHON: Final = (1, 26)
"""Seen in an emulator of the chip (firmware/README.md); nothing is known of older ones."""

_PAUSE_SECONDS: Final = 0.5
START_SECONDS: Final = 20.0
"""From the reset to the handshake: the port comes back, two seconds of grace, the firmware
compiles itself."""

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Installed:
    """What came of it: the box that answers now, and how many files it took."""

    port: str
    description: BoxDescription
    files: int
    micropython: str


def board_port(port: str | None = None) -> str:
    """The port given, or that of the one board that is plugged in.

    Raises:
        DeviceNotFoundError: none is, or more than one.
    """
    if port:
        return port
    found = ports_to_ask(candidate_ports())
    if len(found) == 1:
        return found[0]
    if not found:
        raise DeviceNotFoundError(
            "No board is plugged in: none of the serial ports belongs to one.",
            "Plug it in with a cable that carries data. A new board needs MicroPython first: hold"
            " BOOTSEL, plug it in, and copy the MicroPython file on the drive that appears.",
        )
    raise DeviceNotFoundError(
        f"{len(found)} boards are plugged in: {', '.join(found)}.", "Say which with --port."
    )


def install(
    port: str,
    *,
    name: str | None = None,
    image: FirmwareImage | None = None,
    prompt: Prompt | None = None,
    start_seconds: float = START_SECONDS,
    progress: Progress = lambda step: None,
) -> Installed:
    """Put the firmware on the board at ``port``, start it, and shake hands with it.

    ``name``: what to call the box, at most 16 ASCII characters; None leaves
    the name it has.

    Raises:
        DeviceError: the board cannot be reached; each kind says what to do.
        InstallError: it does not hold afterwards what was copied.
        WrongDeviceError: another board answers after the reset.
        ProtocolError: the box speaks another protocol than this program.
    """
    image = image or load_image()
    prompt = prompt or Prompt(port)
    progress("asking for the prompt")
    _call_for_prompt(port)
    facts = _identify(prompt)
    progress(f"copying {len(image.files)} files")
    _copy(prompt, image)
    progress("comparing what arrived")
    _compare(prompt, image)
    progress("starting the box")
    prompt.reset()
    description = _shake_hands(port, bytes.fromhex(facts["id"]), start_seconds)
    if description.firmware_version != image.version:
        raise InstallError(
            f"The box answers with firmware {description.firmware_version}, but {image.version}"
            " was copied.",
            "Unplug the box, wait two seconds, plug it in and repeat.",
        )
    if name is not None:
        progress(f"naming it {name}")
        description = _name(port, name)
    version = ".".join(map(str, facts["version"]))
    return Installed(port, description, len(image.files), version)


def read_crash_report(prompt: Prompt) -> str | None:
    """The text of the error that last stopped the box, or None when there is none."""
    _call_for_prompt(prompt.port)
    try:
        return prompt.read("crash.txt")
    except DeviceError as error:
        if "crash.txt" in error.what or "ENOENT" in error.what:
            return None
        raise


def _call_for_prompt(port: str) -> None:
    # Harmless where nothing is on duty: Ctrl-C at a prompt gives another prompt.
    with open_transport(port) as transport:
        transport.write(CALL_FOR_PROMPT)
        time.sleep(_PAUSE_SECONDS)  # the box closes its link and stops its watchdog


def _identify(prompt: Prompt) -> dict[str, Any]:
    facts = _answer(prompt, board_code.IDENTIFY)
    if facts.get("implementation") != "micropython" or len(facts.get("id", "")) != 16:
        raise InstallError(
            f"What answers on {prompt.port} is no board that the firmware runs on: {facts}.",
            "The firmware needs MicroPython, and a board with a unique id of eight bytes.",
        )
    if tuple(facts["version"]) < OLDEST_MICROPYTHON:
        raise InstallError(
            f"The board runs MicroPython {'.'.join(map(str, facts['version']))}; the firmware was"
            f" tried with {'.'.join(map(str, OLDEST_MICROPYTHON))} and newer.",
            "Hold BOOTSEL, plug the board in, copy the MicroPython 1.28 file for a Raspberry Pi"
            " Pico on the drive that appears, and repeat. What the box keeps stays.",
        )
    return facts


def _copy(prompt: Prompt, image: FirmwareImage) -> None:
    folders = sorted({file.split("/")[0] for file in image.files if "/" in file})
    loose = [file for file in image.files if "/" not in file and file != START_FILE]
    _answer(prompt, board_code.clear(folders, (START_FILE, *loose)))
    with tempfile.TemporaryDirectory() as place:
        staged = Path(place)
        image.stage(staged)
        prompt.copy([staged / name for name in (*folders, *loose)])
        prompt.copy([staged / START_FILE])


def _compare(prompt: Prompt, image: FirmwareImage) -> None:
    found = _answer(prompt, board_code.digest(image.files))
    wrong = [name for name, digest in image.digests().items() if found.get(name) != digest]
    if wrong:
        _answer(prompt, board_code.clear((), [START_FILE]))  # it must not start like this
        raise InstallError(
            f"{len(wrong)} of {len(image.files)} files are not on the board as they were sent:"
            f" {', '.join(wrong[:4])}{', ...' if len(wrong) > 4 else ''}.",
            "Repeat. If it stays so, the board's flash is full or worn: erase it, or take another.",
        )


def _answer(prompt: Prompt, code: str) -> dict[str, Any]:
    printed = prompt.execute(code).strip()
    try:
        answer = json.loads(printed.splitlines()[-1] if printed else "")
    except json.JSONDecodeError:
        answer = None
    if not isinstance(answer, dict):
        raise InstallError(
            f"The board on {prompt.port} answered {printed[-80:]!r} instead of a report.",
            "Unplug it, plug it in again and repeat.",
        )
    return answer


def _shake_hands(port: str, board_id: bytes, start_seconds: float) -> BoxDescription:
    """Wait for the box to answer; its port may be away for a while."""
    deadline = time.monotonic() + start_seconds
    while True:
        try:
            with Box.open(port, 3.0, box_id=board_id) as box:
                return box.description
        except WrongDeviceError:
            raise
        except DeviceError as error:
            if time.monotonic() > deadline:
                raise DeviceNotFoundError(
                    f"The firmware is on the board, but no box answered on {port} within"
                    f" {start_seconds:g} s of its start: {error.what}",
                    "Is the service pin (GP14) connected to ground? Otherwise read crash.txt with"
                    " 'steelyard install --crash'.",
                ) from error
            time.sleep(_PAUSE_SECONDS)


def _name(port: str, name: str) -> BoxDescription:
    with Box.open(port) as box:
        box.write_setting(SettingKey.BOX_NAME, text=name)
        return box.identify()
