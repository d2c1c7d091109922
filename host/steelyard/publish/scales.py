"""The calibrations of one box: which is in force on which channel, and its values.

A calibration that does not belong to the box that answers (another sensor,
another gain) is refused, the channel is published raw, and the metadata says
why.  No zeroing is applied: what is published rests on the calibration alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple, TypeAlias

from steelyard_protocol.messages import NO_CHANNEL
from steelyard_protocol.records import ChannelDescription

from steelyard.calibration import (
    AnyCalibration,
    Binding,
    ForceCalibration,
    TorqueCalibration,
)
from steelyard.device import BoxDescription
from steelyard.errors import CalibrationError, WrongBoxError


class Quantity(NamedTuple):
    """What values mean: names of the two keys in a sample, and their unit."""

    name: str
    key: str
    uncertainty_key: str
    unit: str


FORCE: Final = Quantity("force", "force_newtons", "force_standard_uncertainty_newtons", "N")
TORQUE: Final = Quantity(
    "torque", "torque_newton_metres", "torque_standard_uncertainty_newton_metres", "N.m"
)
ANGLE: Final = Quantity("angle", "angle_degrees", "angle_standard_uncertainty_degrees", "deg")
QUANTITIES: Final = (FORCE, TORQUE, ANGLE)

Value: TypeAlias = tuple[float, float, bool]
"""Value and standard uncertainty (k = 1) of one sample; whether outside what was calibrated."""


def quantity_of(calibration: AnyCalibration) -> Quantity:
    """What a calibration gives."""
    if isinstance(calibration, ForceCalibration):
        return FORCE
    return TORQUE if isinstance(calibration, TorqueCalibration) else ANGLE


@dataclass(frozen=True)
class Scale:
    """A calibration in force on a channel."""

    calibration: AnyCalibration
    age_days: float

    @property
    def quantity(self) -> Quantity:
        """What the values are."""
        return quantity_of(self.calibration)

    def values(self, counts: Sequence[int]) -> list[Value]:
        """Value, standard uncertainty and whether extrapolated, for each of the counts (n)."""
        calibration = self.calibration
        if isinstance(calibration, ForceCalibration):
            force = calibration.force(counts, age_days=self.age_days)
            columns = (force.force_newtons, force.standard_uncertainty_newtons, force.extrapolated)
        elif isinstance(calibration, TorqueCalibration):
            torque = calibration.torque(counts, age_days=self.age_days)
            columns = (
                torque.torque_newton_metres,
                torque.standard_uncertainty_newton_metres,
                torque.extrapolated,
            )
        else:
            angle = calibration.angle(counts)
            columns = (
                angle.angle_degrees,
                angle.standard_uncertainty_degrees,
                angle.extrapolated,
            )
        return list(zip(*(column.tolist() for column in columns), strict=True))


class BoxScales:
    """The calibrations given for a box, held against the box that answers."""

    def __init__(
        self, calibrations: Sequence[AnyCalibration], description: BoxDescription, now: datetime
    ) -> None:
        self._given = {item.binding.channel: item for item in calibrations}
        self._states: dict[int, dict[str, Any]] = {}
        self._scales: dict[int, Scale] = {}
        self._angle_channels = {item.channel: item.angle_channel for item in description.channels}
        for channel in description.channels:
            self._judge(description, channel, now)

    def of(self, channel: int) -> Scale | None:
        """The scale in force on a channel; None: it is published raw."""
        return self._scales.get(channel)

    def angle_channel(self, channel: int) -> int:
        """The channel whose angle a load channel's samples carry; 255: none."""
        return self._angle_channels.get(channel, NO_CHANNEL)

    def state(self, channel: int) -> dict[str, Any]:
        """What the metadata says about a channel's calibration."""
        return self._states.get(channel, {"state": "none"})

    def _judge(
        self, description: BoxDescription, channel: ChannelDescription, now: datetime
    ) -> None:
        calibration = self._given.get(channel.channel)
        if calibration is None:
            return
        present = Binding(
            description.box_id_text,
            channel.channel,
            description.sensor_serial(channel.channel),
            channel.gain,
            description.firmware_version,
        )
        state: dict[str, Any] = {"calibration_id": calibration.calibration_id}
        try:
            calibration.binding.require(present)
            scale = Scale(calibration, calibration.age_days(now.isoformat()))
        except CalibrationError as error:
            self._states[channel.channel] = {"state": "refused", **state, "reason": error.what}
            return
        self._scales[channel.channel] = scale
        due = calibration.due_on
        overdue = due is not None and now.date() > due
        self._states[channel.channel] = {
            "state": "undated" if due is None else "overdue" if overdue else "in_force",
            **state,
            "due_on": due.isoformat() if due else None,
            "age_days": round(scale.age_days, 1),
        }


def check_channels(calibrations: Sequence[AnyCalibration], description: BoxDescription) -> None:
    """Raise WrongBoxError when a calibration is for no channel of this box, or two for one.

    Why at the start only: a person is there to hear it.  Later, a channel
    whose calibration no longer fits is published raw and says so.
    """
    seen: set[int] = set()
    scales = BoxScales(calibrations, description, datetime.now(UTC))
    for calibration in calibrations:
        number = calibration.binding.channel
        if number in seen:
            raise WrongBoxError(
                f"Two of the calibrations given are for channel {number}.", "Give one of them."
            )
        seen.add(number)
        if scales.of(number) is None:
            reason = scales.state(number).get(
                "reason", f"The box has no channel {number}, for which a calibration was given."
            )
            raise WrongBoxError(
                str(reason), "Use the calibration of this box and sensor, or calibrate again."
            )
