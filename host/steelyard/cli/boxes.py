"""Getting at the box that a command is about, and at its calibrations."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from steelyard_protocol.records import ChannelDescription

from steelyard.calibration import Binding, ForceCalibration, load_calibration
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
    """What a calibration of this channel must belong to."""
    return Binding(
        description.box_id_text,
        channel.channel,
        description.sensor_serial(channel.channel),
        channel.gain,
    )


def load_channel_calibrations(
    paths: Iterable[Path], box_id: str, channels: Iterable[ChannelDescription], serials: list[str]
) -> dict[int, ForceCalibration]:
    """Calibrations by channel, each checked against the box it is used on.

    ``serials``: sensor serial number of each channel, by index.

    Raises:
        CalibrationFileError: one cannot be read or was changed.
        WrongBoxError: one belongs to another box, channel or sensor.
    """
    gains = {item.channel: item.gain for item in channels}
    result: dict[int, ForceCalibration] = {}
    for path in paths:
        calibration = load_calibration(path)
        number = calibration.binding.channel
        if number not in gains:
            raise WrongBoxError(
                f"{path.name} is for channel {number}, which box {box_id} does not have.",
                "Use the calibration of this box and sensor, or calibrate again.",
            )
        calibration.binding.require(Binding(box_id, number, serials[number], gains[number]))
        if number in result:
            raise WrongBoxError(
                f"Two of the calibrations given are for channel {number}.", "Give one of them."
            )
        result[number] = calibration
    return result
