"""Getting at the box that a command is about, and at its calibrations."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from steelyard_protocol.records import ChannelDescription, ChannelKind

from steelyard.calibration import Binding, ForceCalibration
from steelyard.calibration.angle_calibration import AngleCalibration
from steelyard.calibration.calibration_file import AnyCalibration, load_any_calibration
from steelyard.calibration.quantity import LoadCalibration
from steelyard.calibration.register import Register
from steelyard.calibration.zero_in_force import ZeroInForce, zero_in_force
from steelyard.device import BoxDescription
from steelyard.device.discovery import discover
from steelyard.errors import DeviceNotFoundError, WrongBoxError


def chosen_port(port: str | None) -> str:
    """The port given, or that of the one box that answers.

    Raises:
        DeviceNotFoundError: none answers, or more than one.
    """
    if port:
        return port
    probes = discover()
    found = [probe for probe in probes if probe.description is not None]
    if len(found) == 1:
        return found[0].port
    if found:
        raise DeviceNotFoundError(
            f"{len(found)} boxes answer: {', '.join(probe.port for probe in found)}.",
            "Say which with --port.",
        )
    asked = "; ".join(f"{probe.port}: {probe.error}" for probe in probes)
    raise DeviceNotFoundError(
        f"No box answers ({asked or 'no serial port with a likely board'}).",
        "Plug the box in, or name its port with --port; --port sim:heron is a virtual one.",
    )


def binding_of(description: BoxDescription, channel: ChannelDescription) -> Binding:
    """What a calibration of this channel must belong to, and the firmware it was made with."""
    return Binding(
        description.box_id_text,
        channel.channel,
        description.sensor_serial(channel.channel),
        channel.gain,
        firmware=description.firmware_version,
    )


def load_scales(
    paths: Iterable[Path], box_id: str, channels: Iterable[ChannelDescription], serials: list[str]
) -> dict[int, LoadCalibration]:
    """Force and torque calibrations by channel, each checked against the box it is used on.

    A path is a stored calibration, or a folder of them: then those in force count.
    ``serials``: sensor serial number of each channel, by index.

    Raises:
        CalibrationFileError: one cannot be read or was changed.
        WrongBoxError: one belongs to another box, channel or sensor.
    """
    gains = {item.channel: item.gain for item in channels if item.kind == ChannelKind.LOAD}
    result: dict[int, LoadCalibration] = {}
    for path, calibration in _calibrations(paths, box_id, gains):
        number = calibration.binding.channel
        if number not in gains:
            raise WrongBoxError(
                f"{path.name} is for channel {number}, which is no load channel of box {box_id}.",
                "Use the calibration of this box and sensor, or calibrate again.",
            )
        calibration.binding.require(Binding(box_id, number, serials[number], gains[number]))
        if number in result:
            raise WrongBoxError(
                f"Two of the calibrations given are for channel {number}.",
                "Give one of them, or their folder: then the one in force counts.",
            )
        if isinstance(calibration, AngleCalibration):
            raise WrongBoxError(
                f"{path.name} is of an angle, not of a load.", "Give a load calibration."
            )
        result[number] = calibration
    return result


def _calibrations(
    paths: Iterable[Path], box_id: str, gains: Mapping[int, int]
) -> Iterator[tuple[Path, AnyCalibration]]:
    for path in paths:
        if not path.is_dir():
            yield path, load_any_calibration(path)
            continue
        found = [Register(path, box_id, channel).in_force() for channel in sorted(gains)]
        if not any(found):
            raise WrongBoxError(
                f"In {path} no calibration is in force for a load channel of box {box_id}.",
                "Calibrate first, or name the file.",
            )
        yield from ((path, calibration) for calibration in found if calibration is not None)


def zeroes(
    paths: Iterable[Path], scales: Mapping[int, LoadCalibration], at: str
) -> dict[int, ZeroInForce]:
    """What logged zeroings say for each channel at a time (ISO 8601).

    Looked for in the folders given, and beside the files given.
    """
    folders = {path if path.is_dir() else path.parent for path in paths}
    found: dict[int, ZeroInForce] = {}
    for number, calibration in scales.items():
        box_id = calibration.binding.box_id
        each = [
            zero_in_force(Register(folder, box_id, number).history(), calibration, at)
            for folder in sorted(folders)
        ]
        applied = [item for item in each if item.zero is not None]
        found[number] = (applied or each)[-1]
    return found


def load_channel_calibrations(
    paths: Iterable[Path], box_id: str, channels: Iterable[ChannelDescription], serials: list[str]
) -> dict[int, ForceCalibration]:
    """Like `load_scales`, for what takes newtons only.

    Raises:
        WrongBoxError: also for a calibration of torque.
    """
    result: dict[int, ForceCalibration] = {}
    for number, calibration in load_scales(paths, box_id, channels, serials).items():
        if not isinstance(calibration, ForceCalibration):
            raise WrongBoxError(
                f"The calibration of channel {number} is of torque; newtons are wanted here.",
                "Give a force calibration of this channel.",
            )
        result[number] = calibration
    return result
