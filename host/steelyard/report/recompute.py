"""Making every figure of a result again from the recording, and comparing to the last digit."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from steelyard_protocol.records import DocumentKind

from steelyard import __version__
from steelyard.calibration import AnyCalibration, load_any_calibration
from steelyard.calibration.calibration_file import SUFFIX as CALIBRATION_SUFFIX
from steelyard.calibration.calibration_file import parse_calibration
from steelyard.calibration.canonical_json import canonical_text
from steelyard.errors import CalibrationError, ReportError, ResultFileError, SteelyardError
from steelyard.recording.reader import Recording, read_recording
from steelyard.report.embedded_result import result_of_page
from steelyard.report.provenance import file_sha256
from steelyard.report.recorded_analysis import examine_recording
from steelyard.report.result_file import SUFFIX, StoredResult, figures, load_result
from steelyard.report.sources import ChosenProfile, find_sheet
from steelyard.strength.profile_file import profile_from_json
from steelyard.strength.session_sheet import sheet_from_json

MISSING: Final = "nothing"


@dataclass(frozen=True)
class Difference:
    """A figure or text of the result that did not come out again."""

    name: str
    stored: Any
    now: Any


@dataclass(frozen=True)
class Recomputation:
    """What became of every number of a result.

    ``problems``: what is not as it was when the result was made, and matters.
    ``remarks``: what is other, and need not matter.
    """

    result_id: str
    recording: Path
    numbers: tuple[tuple[str, float], ...]
    differences: tuple[Difference, ...]
    problems: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def reproduced(self) -> bool:
        """Every number to the last digit, from the very same recording, by an untouched result."""
        return not self.differences and not self.problems

    @property
    def reproduced_total(self) -> int:
        """How many numbers came out again."""
        names = {one.name for one in self.differences}
        return sum(name not in names for name, _ in self.numbers)


def recompute(
    result_or_report: Path,
    recording: Path | None = None,
    calibrations: Iterable[Path | AnyCalibration] = (),
) -> Recomputation:
    """Make the figures again.

    ``recording``: where it lies now; without it, it is looked for by its name beside
    the result, in the folder above and in the present one.  Calibrations that are
    not inside the recording come as files or folders.

    Raises ReportError when there is no result or no recording, RecordingError when
    the recording cannot be read.
    """
    stored, page_problems = _stored(result_or_report)
    kept = stored.content["provenance"]
    path = recording or _find_recording(stored)
    held = read_recording(path)
    problems = [*page_problems, *_changes(stored, held, path)]
    found, missing = _calibrations(held, calibrations, kept)
    problems += missing
    text = json.dumps(stored.content["profile"])
    profile = None
    if stored.content["profile"] is not None:
        profile = ChosenProfile(profile_from_json(text), text, "the result")
    sheet = sheet_from_json(json.dumps(stored.content["sheet"]))
    problems += _inputs(kept, profile, sheet.sheet_id)
    again = figures(examine_recording(held, found, profile=profile, sheet=sheet))
    now = json.loads(canonical_text(again))
    before = {name: stored.content[name] for name in now}
    return Recomputation(
        stored.result_id,
        path,
        tuple((name, value) for name, value in _leaves(before) if _is_number(value)),
        tuple(_compare(before, now)),
        tuple(problems),
        tuple(_remarks(kept, held)),
    )


def _stored(path: Path) -> tuple[StoredResult, list[str]]:
    """The result in or beside a file, and what was changed in what is to be seen."""
    if path.suffix.lower() == ".pdf":
        beside = path.with_suffix(".html")
        if not beside.exists():
            raise ResultFileError(
                f"A PDF carries no figures for a program, and {beside.name} is not beside it.",
                f"Give the report's web page, or the result ({SUFFIX}).",
            )
        path = beside
    if path.suffix.lower() not in (".html", ".htm"):
        return load_result(path), []
    stored, untouched = result_of_page(path)
    if untouched:
        return stored, []
    return stored, [f"The page {path.name} was changed after it was written: do not rely on it."]


def _find_recording(stored: StoredResult) -> Path:
    name = Path(str(stored.content["provenance"].get("recording_file"))).name
    folder = stored.path.resolve().parent
    for place in (folder, folder.parent, Path.cwd()):
        if (place / name).is_file():
            return place / name
    raise ReportError(
        f"The recording {name} is neither beside {stored.path.name} nor in the folder above.",
        "Say where it lies with --recording.",
    )


def _changes(stored: StoredResult, held: Recording, path: Path) -> Iterator[str]:
    kept = stored.content["provenance"]
    if not stored.intact:
        yield "The result was changed after it was made: its content does not give its own id."
    if held.origin.recording_id != kept.get("recording_id"):
        yield (
            f"{path.name} is another recording: {held.origin.recording_id}, the result is of "
            f"{kept.get('recording_id')}."
        )
    elif file_sha256(path) != kept.get("recording_sha256"):
        yield (
            f"The recording {path.name} was changed: its SHA-256 is not the one the result was "
            "made from."
        )


def _calibrations(
    held: Recording, given: Iterable[Path | AnyCalibration], kept: dict[str, Any]
) -> tuple[list[AnyCalibration], list[str]]:
    """Those that the result names, wherever they are found, and what to say of missing ones."""
    wanted = {str(one.get("calibration_id")): one for one in kept.get("calibrations", [])}
    found: dict[str, AnyCalibration] = {}
    others: list[str] = []
    for calibration in _every(held, given):
        if calibration.calibration_id in wanted:
            found[calibration.calibration_id] = calibration
        else:
            others.append(calibration.calibration_id[:12])
    missing = [
        f"Calibration {name[:12]} of channel {wanted[name].get('channel')} is missing"
        + (f"; found instead: {', '.join(sorted(set(others)))}." if others else ".")
        + " Name its file or folder with --calibration."
        for name in wanted
        if name not in found
    ]
    return list(found.values()), missing


def _every(held: Recording, given: Iterable[Path | AnyCalibration]) -> Iterator[AnyCalibration]:
    for one in given:
        if not isinstance(one, Path):
            yield one
        elif one.is_dir():
            yield from map(load_any_calibration, sorted(one.glob(f"*{CALIBRATION_SUFFIX}")))
        else:
            yield load_any_calibration(one)
    for document in held.documents:
        if document.kind == DocumentKind.CALIBRATION:
            try:
                yield parse_calibration(document.text, "the recording")
            except CalibrationError:
                continue  # what cannot be read was not used either


def _inputs(kept: dict[str, Any], profile: ChosenProfile | None, sheet_id: str) -> Iterator[str]:
    if (profile.profile_id if profile else "") != kept.get("profile_sha256"):
        yield "The machine profile in the result is not the one that its SHA-256 names."
    if sheet_id != kept.get("sheet_sha256"):
        yield "The session sheet in the result is not the one that its SHA-256 names."


def _remarks(kept: dict[str, Any], held: Recording) -> Iterator[str]:
    for name, stored, now in (
        ("program", kept.get("program_version"), __version__),
        ("numpy", kept.get("numpy_version"), np.__version__),
    ):
        if stored != now:
            yield f"The result was made by {name} {stored}, this is {now}."
    try:
        present = find_sheet(held).sheet.sheet_id
    except SteelyardError as error:
        yield f"The session sheet there is now cannot be read: {error.what}"
        return
    if present != kept.get("sheet_sha256"):
        yield (
            "The session sheet in or beside the recording is another one than the result used: a "
            "report made now would use it."
        )


def _compare(before: Any, now: Any) -> Iterator[Difference]:
    stored, again = dict(_leaves(before)), dict(_leaves(now))
    for name in [*stored, *(one for one in again if one not in stored)]:
        one, two = stored.get(name, MISSING), again.get(name, MISSING)
        if type(one) is not type(two) or one != two:
            yield Difference(name, one, two)


def _leaves(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Every number, text, truth value and null with its path."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _leaves(item, f"{name}.{key}" if name else str(key))
    elif isinstance(value, list):
        yield f"{name}.count", len(value)
        for place, item in enumerate(value):
            yield from _leaves(item, f"{name}[{place}]")
    else:
        yield name, value


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
