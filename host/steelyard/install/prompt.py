"""A board's interactive prompt, reached by the program mpremote in a process of its own.

Why a process and not a library: mpremote promises a command line, not an
interface for programs; and whatever it meets, it cannot take this one down.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceTimeoutError,
    InstallError,
    PortAccessError,
    PortBusyError,
    SteelyardError,
)

TIMEOUT_SECONDS: Final = 120.0

_BOOTLOADER_ADVICE: Final = (
    "If MicroPython was never put on it: hold BOOTSEL, plug the board in, and copy the MicroPython"
    " file for a Raspberry Pi Pico on the drive that appears. Otherwise unplug the board, connect"
    " the service pin (GP14) to ground, plug it in and try again."
)


class Prompt:
    """The prompt of the board on ``port``; ``command`` is how mpremote is called."""

    def __init__(self, port: str, command: Sequence[str] | None = None) -> None:
        self.port = port
        self._command = tuple(command or (sys.executable, "-m", "mpremote"))
        if command is None and importlib.util.find_spec("mpremote") is None:
            raise InstallError(
                "The program mpremote is not installed.", "pip install 'steelyard[install]'"
            )

    def execute(self, code: str) -> str:
        """Run a piece of Python on the board and return what it printed.

        Raises as every method here does:
            PortBusyError, PortAccessError: the port cannot be had.
            DeviceDisconnectedError: the board went away.
            DeviceTimeoutError: nothing came back in time.
            InstallError: no MicroPython answers, or the board reported an error.
        """
        return self._run("exec", code)

    def copy(self, sources: Sequence[Path], target: str = ":/") -> None:
        """Copy files and whole folders to the board."""
        self._run("fs", "cp", "-r", *map(str, sources), target)

    def read(self, name: str) -> str:
        """Return a text file of the board."""
        return self._run("fs", "cat", f":{name}")

    def reset(self) -> None:
        """Start the board anew, as when it is plugged in."""
        self._run("reset")

    def _run(self, *words: str) -> str:
        try:
            done = subprocess.run(
                [*self._command, "connect", self.port, *words],
                capture_output=True,
                text=True,
                encoding="utf-8",
                errors="replace",
                timeout=TIMEOUT_SECONDS,
                check=False,
            )
        except subprocess.TimeoutExpired as error:
            raise DeviceTimeoutError(
                f"The board on {self.port} took longer than {TIMEOUT_SECONDS:g} s for"
                f" '{words[0]}'.",
                "Unplug it, plug it in again and repeat.",
            ) from error
        except OSError as error:
            raise InstallError(
                f"mpremote could not be started: {error}.", "pip install 'steelyard[install]'"
            ) from error
        if done.returncode != 0:
            raise self._explained(f"{done.stdout}\n{done.stderr}".strip(), words[0])
        return done.stdout

    def _explained(self, output: str, step: str) -> SteelyardError:
        said = output.lower()
        last = output.splitlines()[-1] if output else "it said nothing"
        if "in use" in said or "busy" in said:
            return PortBusyError(
                f"{self.port} is held by another program.",
                "Close whatever shows or records this box, and any terminal on the port.",
            )
        if "permission" in said or "access is denied" in said:
            return PortAccessError(
                f"This user may not open {self.port}.",
                "On Linux: install the udev rule, or join the group of the port (dialout).",
            )
        if "raw repl" in said or "raw paste" in said:
            return InstallError(f"No MicroPython answers on {self.port}.", _BOOTLOADER_ADVICE)
        if "failed to access" in said or "no device" in said or "no such file or dir" in said:
            return DeviceDisconnectedError(
                f"{self.port} cannot be opened: {last}.", "Plug the board in; check the cable."
            )
        return InstallError(
            f"'{step}' failed on the board: {last}.", "Repeat; if it stays, report."
        )
