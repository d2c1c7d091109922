"""What a recording is analysed with, found in this order: given, beside it, inside it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from steelyard_protocol.codec import plain_text
from steelyard_protocol.records import DocumentKind

from steelyard.calibration import AnyCalibration, Binding, load_any_calibration
from steelyard.calibration.calibration_file import parse_calibration
from steelyard.calibration.canonical_json import content_hash
from steelyard.calibration.register import Register
from steelyard.errors import ProfileError, SheetError
from steelyard.recording.documents import Document
from steelyard.recording.reader import Recording
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.profile_file import READY, profile_from_json, profile_text
from steelyard.strength.session_sheet import (
    SessionSheet,
    beside,
    differences,
    is_sheet,
    load_sheet,
    sheet_from_json,
)

SHEET_KIND: Final = DocumentKind.SESSION
"""The kind of document under which a session sheet is kept in a recording."""

INSIDE: Final = "inside the recording"
GIVEN: Final = "given"
NO_SHEET: Final = "none: nothing was written down"


@dataclass(frozen=True)
class ChosenProfile:
    """A machine profile, its JSON as it was read, and where it came from."""

    profile: MachineProfile
    text: str
    source: str

    @property
    def profile_id(self) -> str:
        """SHA-256, in hexadecimal, of the content; spelling does not matter."""
        return content_hash(json.loads(self.text))


@dataclass(frozen=True)
class ChosenSheet:
    """A session sheet, where it came from, and what it changes in that inside the recording."""

    sheet: SessionSheet
    source: str
    corrections: tuple[str, ...] = ()

    @property
    def exists(self) -> bool:
        """False: nothing was written down, and the sheet is an empty one."""
        return self.source != NO_SHEET


def sheet_document(sheet: SessionSheet) -> Document:
    """A sheet as a document to keep in a recording."""
    return Document(SHEET_KIND, sheet.to_json())


def profile_document(name_or_path: str) -> Document:
    """A machine profile as a document to keep in a recording.

    Raises ProfileError when there is none of that name, or it cannot be understood.
    """
    text = profile_text(name_or_path)
    profile_from_json(text)
    return Document(DocumentKind.MACHINE, text)


def chosen_profile(name_or_path: str) -> ChosenProfile:
    """A ready profile by name, or one from a file.  Raises ProfileError."""
    text = profile_text(name_or_path)
    source = f"ready profile {name_or_path.casefold()}"
    if name_or_path.casefold() not in READY:
        source = Path(name_or_path).name
    return ChosenProfile(profile_from_json(text), text, source)


def find_profile(held: Recording, given: ChosenProfile | None = None) -> ChosenProfile:
    """The profile of this recording's machine: given, inside, or the ready one of its name.

    Raises ProfileError when there is none, WrongMachineError when it is of
    another machine or box.
    """
    found = given or _profile_inside(held) or _ready(held)
    found.profile.require(held.origin.machine, held.origin.box_id)
    return found


def _profile_inside(held: Recording) -> ChosenProfile | None:
    for document in held.documents:
        if document.kind == DocumentKind.MACHINE:
            return ChosenProfile(profile_from_json(document.text), document.text, INSIDE)
    return None


def _ready(held: Recording) -> ChosenProfile:
    name = held.origin.machine.casefold()
    if name in READY:
        return chosen_profile(name)
    called = f"“{held.origin.machine}”" if name else "no machine"
    raise ProfileError(
        f"The recording names {called} and holds no machine profile: how long its arm is and what "
        "its counterweight weighs is not known.",
        "Name the profile with --machine: a file, or a ready one "
        f"({', '.join(READY)}); `steelyard record` keeps one in the recording with --profile.",
    )


def find_sheet(held: Recording, given: SessionSheet | None = None) -> ChosenSheet:
    """The session's sheet: given, corrected beside the recording, inside it, or an empty one.

    Raises SheetError when one that is there cannot be understood.
    """
    inside = _sheet_inside(held)
    correction = beside(held.path)
    if given is not None:
        chosen, source = given, GIVEN
    elif correction.exists():
        chosen, source = load_sheet(correction), correction.name
    elif inside is not None:
        return ChosenSheet(inside, INSIDE)
    else:
        return ChosenSheet(SessionSheet(), NO_SHEET)
    corrections = () if inside is None else differences(inside, chosen)
    return ChosenSheet(chosen, source, corrections)


def _sheet_inside(held: Recording) -> SessionSheet | None:
    """The last one inside: a recorder may write a second when the operator knew more."""
    for document in reversed(held.documents):
        if document.kind in (SHEET_KIND, DocumentKind.CLIENT) and is_sheet(_json(document.text)):
            try:
                return sheet_from_json(document.text)
            except SheetError as error:
                raise SheetError(
                    f"The sheet inside the recording: {error.what}",
                    f"{error.advice} A right one may lie beside it as {beside(held.path).name}.",
                ) from error
    return None


def _json(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def find_calibrations(
    held: Recording, given: Iterable[Path | AnyCalibration] = ()
) -> dict[int, AnyCalibration]:
    """By channel, each checked against box, channel and sensor; what is given before inside.

    ``given``: calibrations, files, or folders in which those in force are looked up.
    Raises WrongBoxError for one that belongs elsewhere, CalibrationError for one
    that cannot be read.
    """
    result: dict[int, AnyCalibration] = {}
    inside = (
        parse_calibration(document.text, "the recording")
        for document in held.documents
        if document.kind == DocumentKind.CALIBRATION
    )
    for calibration in [*_given(held, given), *inside]:
        number = calibration.binding.channel
        if number in result:
            continue
        channel = held.channels.get(number)
        if channel is not None:
            serial = plain_text(channel.sensor_serial)
            calibration.binding.require(Binding(held.origin.box_id, number, serial, channel.gain))
        result[number] = calibration
    return result


def _given(held: Recording, given: Iterable[Path | AnyCalibration]) -> Iterator[AnyCalibration]:
    for one in given:
        if not isinstance(one, Path):
            yield one
        elif not one.is_dir():
            yield load_any_calibration(one)
        else:
            for channel in sorted(held.channels):
                found = Register(one, held.origin.box_id, channel).in_force()
                if found is not None:
                    yield found
