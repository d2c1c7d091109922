"""Calibrations on disk: written once, never changed, accepted only untouched."""

from __future__ import annotations

from pathlib import Path
from typing import Final, TypeAlias, TypeVar

from steelyard.calibration import angle_content, record_content, torque_calibration
from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.calibration.canonical_json import open_sealed
from steelyard.calibration.force_calibration import ForceCalibration
from steelyard.calibration.readings import Binding
from steelyard.calibration.torque_calibration import TorqueCalibration
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import CalibrationError, CalibrationFileError

AnyCalibration: TypeAlias = ForceCalibration | TorqueCalibration | AngleCalibration
Kind = TypeVar("Kind", bound=AnyCalibration)

SUFFIX: Final = ".calibration.json"
LARGEST_BYTES: Final = 8_000_000
"""No calibration comes near this; a recording opened by mistake is not read to its end."""

_KINDS: Final[dict[str, type[AnyCalibration]]] = {
    record_content.SCHEMA: ForceCalibration,
    torque_calibration.SCHEMA: TorqueCalibration,
    angle_content.SCHEMA: AngleCalibration,
}


def file_name(calibration: AnyCalibration) -> str:
    """Name that says what it is for and cannot collide: box, channel, start of the id."""
    binding = calibration.binding
    return f"{binding.box_id}-ch{binding.channel}-{calibration.calibration_id[:12]}{SUFFIX}"


def save_calibration(calibration: AnyCalibration, folder: Path) -> Path:
    """Write the calibration into ``folder`` under its own name; gives the path.

    The same calibration saved twice is one file.  Raises CalibrationFileError
    when the disk refuses or another content has taken the name.
    """
    path = folder / file_name(calibration)
    data = calibration.to_json().encode("ascii")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if path.exists():
            _require_same(path, data)
            return path
        write_whole(path, data)
    except OSError as error:
        raise CalibrationFileError(
            f"The calibration could not be written to {path}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error
    return path


def load_calibration(path: Path, present: Binding | None = None) -> ForceCalibration:
    """Read a force calibration; with ``present``, only when it belongs to that box and sensor.

    Raises CalibrationFileError, naming the file, when it cannot be read or was
    changed by a byte, WrongBoxError when it belongs elsewhere.
    """
    return _load(path, ForceCalibration, present)


def load_torque_calibration(path: Path, present: Binding | None = None) -> TorqueCalibration:
    """As ``load_calibration``, for a torque calibration."""
    return _load(path, TorqueCalibration, present)


def load_angle_calibration(path: Path, present: Binding | None = None) -> AngleCalibration:
    """As ``load_calibration``, for an angle calibration."""
    return _load(path, AngleCalibration, present)


def load_any_calibration(path: Path, present: Binding | None = None) -> AnyCalibration:
    """As ``load_calibration``, whatever it measures."""
    return parse_calibration(_text(path), str(path), present)


def parse_calibration(text: str, source: str, present: Binding | None = None) -> AnyCalibration:
    """As ``load_any_calibration``, from text that came from elsewhere; ``source`` names it."""
    try:
        schema = str(open_sealed(text).get("schema"))
    except CalibrationError as error:
        raise _naming(source, error) from error
    if schema not in _KINDS:
        raise CalibrationFileError(
            f"{source}: a “{schema}” is no calibration that this program knows.",
            "Use the right file, or a newer program.",
        )
    return _opened(source, text, _KINDS[schema], present)


def _load(path: Path, kind: type[Kind], present: Binding | None) -> Kind:
    return _opened(str(path), _text(path), kind, present)


def _opened(source: str, text: str, kind: type[Kind], present: Binding | None) -> Kind:
    try:
        calibration = kind.from_json(text)
    except CalibrationError as error:
        raise _naming(source, error) from error
    if present is not None:
        calibration.binding.require(present)
    return calibration  # type: ignore[return-value]


def _naming(source: str, error: CalibrationError) -> CalibrationFileError:
    return CalibrationFileError(f"{source}: {error.what}", error.advice)


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES)
    except (OSError, ValueError) as error:  # ValueError: no name that a file can have
        why = error.strerror if isinstance(error, OSError) else None
        raise CalibrationFileError(
            f"The calibration {path} could not be read: {why or error}.",
            "Check the name; calibrations are kept where they were saved.",
        ) from error
    try:
        return data.decode("ascii")
    except UnicodeDecodeError as error:
        raise CalibrationFileError(
            f"{path} holds bytes that no stored calibration has (at byte {error.start}).",
            "Use an untouched copy, or calibrate again.",
        ) from error


def _require_same(path: Path, data: bytes) -> None:
    if path.read_bytes() != data:
        raise CalibrationFileError(
            f"{path} exists and differs from the calibration that owns this name.",
            "A stored calibration is never overwritten: move the damaged file away.",
        )
