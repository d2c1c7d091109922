"""A folder with the calibrations of a practice and the history of each channel."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from steelyard.calibration.calibration_file import (
    SUFFIX,
    AnyCalibration,
    load_any_calibration,
    save_calibration,
)
from steelyard.calibration.history import Act, History
from steelyard.calibration.readings import Binding
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import CalibrationError, CalibrationFileError

HISTORY_SUFFIX: Final = ".history.jsonl"
LARGEST_BYTES: Final = 64_000_000


class Register:
    """Calibrations and history of one channel of one box, in ``folder``."""

    def __init__(self, folder: Path, box_id: str, channel: int) -> None:
        self.folder = folder
        self.box_id = box_id
        self.channel = channel

    @property
    def history_path(self) -> Path:
        """Where the history is kept."""
        return self.folder / f"{self.box_id}-ch{self.channel}{HISTORY_SUFFIX}"

    def history(self) -> History:
        """What happened so far; empty when nothing did.

        Raises CalibrationFileError when the file cannot be read or was changed.
        """
        path = self.history_path
        try:
            if not path.exists():
                return History()
            with path.open("rb") as file:
                text = file.read(LARGEST_BYTES).decode("ascii")
        except OSError as error:
            raise CalibrationFileError(
                f"The history {path} could not be read: {error.strerror or error}.",
                "Check the folder.",
            ) from error
        except UnicodeDecodeError as error:
            raise CalibrationFileError(
                f"{path} holds bytes that no history has (at byte {error.start}).",
                "Use an untouched copy of the history.",
            ) from error
        try:
            return History.from_text(text)
        except CalibrationFileError as error:
            raise CalibrationFileError(f"{path}: {error.what}", error.advice) from error

    def add(
        self, act: Act, at: str, by: str, calibration_id: str, content: dict[str, Any]
    ) -> History:
        """Write one entry; gives the history with it.

        Raises CalibrationError when it breaks a rule of ``History.added``, and
        then nothing is written; CalibrationFileError when the disk refuses.
        """
        history = self.history().added(act, at, by, calibration_id, content)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            write_whole(self.history_path, history.to_text().encode("ascii"))
        except OSError as error:
            raise CalibrationFileError(
                f"The history {self.history_path} could not be written: {error.strerror or error}.",
                "Choose a folder you may write to, with space left.",
            ) from error
        return history

    def put_in_force(
        self, calibration: AnyCalibration, at: str, by: str, no_as_found: str = ""
    ) -> Path:
        """Keep a calibration and put it in force from now on; gives its file.

        ``no_as_found``: why the old one was not read first, where it was not.
        Raises CalibrationError when the rule of as found is broken, WrongBoxError
        when it is for another channel; the old calibration then stays in force.
        """
        own = calibration.binding
        Binding(self.box_id, self.channel, own.sensor_serial, own.gain).require(own)
        if calibration.calibration_id == self.history().in_force:
            return save_calibration(calibration, self.folder)
        content = {"sensor_serial": own.sensor_serial}
        if no_as_found:
            content["no_as_found"] = no_as_found
        self.history().added(Act.IN_FORCE, at, by, calibration.calibration_id, content)
        path = save_calibration(calibration, self.folder)
        self.add(Act.IN_FORCE, at, by, calibration.calibration_id, content)
        return path

    def in_force(self) -> AnyCalibration | None:
        """The calibration in force, or None.

        Raises CalibrationFileError when its file is missing or damaged.
        """
        found = self.history().in_force
        return None if found is None else self.calibration(found)

    def calibration(self, calibration_id: str) -> AnyCalibration:
        """A calibration by its id.  Raises CalibrationFileError when it is not kept here."""
        path = self.folder / f"{self.box_id}-ch{self.channel}-{calibration_id[:12]}{SUFFIX}"
        calibration = load_any_calibration(path)
        if calibration.calibration_id != calibration_id:
            raise CalibrationFileError(
                f"{path} holds calibration {calibration.calibration_id[:12]}, the history means "
                f"{calibration_id[:12]}.",
                "Use an untouched copy of the folder.",
            )
        return calibration

    def calibrations(self) -> list[AnyCalibration]:
        """All that were ever in force, oldest first."""
        return [self.calibration(entry.calibration_id) for entry in self.history().of(Act.IN_FORCE)]


def find_registers(folder: Path) -> Iterator[Register]:
    """Every channel that has a history in ``folder``."""
    for path in sorted(folder.glob(f"*{HISTORY_SUFFIX}")):
        found = re.fullmatch(r"(.+)-ch(\d+)", path.name.removesuffix(HISTORY_SUFFIX))
        if found is not None:
            yield Register(folder, found[1], int(found[2]))


def one_register(folder: Path, box_id: str | None, channel: int | None) -> Register:
    """The one channel with a history that is meant.

    Raises CalibrationError when there is none, or more than one.
    """
    found = [
        register
        for register in find_registers(folder)
        if box_id in (None, register.box_id) and channel in (None, register.channel)
    ]
    if len(found) == 1:
        return found[0]
    names = ", ".join(f"box {item.box_id} channel {item.channel}" for item in found) or "none"
    raise CalibrationError(
        f"Channels with a history in {folder} that could be meant: {names}.",
        "Say which box and channel, and check the folder.",
    )
