"""The calibrations of one box: which is in force on which channel, and its values.

A calibration that does not belong to the box that answers (another sensor,
another gain) is refused, the channel is published raw, and the metadata says
why.  No zeroing is applied: what is published rests on the calibration alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from steelyard_protocol.messages import NO_CHANNEL
from steelyard_protocol.records import ChannelDescription

from steelyard.calibration import AnyCalibration, Binding
from steelyard.device import BoxDescription
from steelyard.errors import CalibrationError, WrongBoxError
from steelyard.publish.joint import JointValue, joint_angle, joint_torque
from steelyard.publish.quantities import Scale
from steelyard.strength.machine_profile import MachineProfile


class BoxScales:
    """The calibrations given for a box, held against the box that answers."""

    def __init__(
        self,
        calibrations: Sequence[AnyCalibration],
        description: BoxDescription,
        now: datetime,
        profile: MachineProfile | None = None,
    ) -> None:
        """``profile``: of the machine that the box sits on."""
        self._given = {item.binding.channel: item for item in calibrations}
        self._states: dict[int, dict[str, Any]] = {}
        self._scales: dict[int, Scale] = {}
        self._angle_channels = {item.channel: item.angle_channel for item in description.channels}
        for channel in description.channels:
            self._judge(description, channel, now)
        self._joint_channel = NO_CHANNEL if profile is None else profile.channels.load
        self._joint: tuple[JointValue | None, JointValue | None] = (None, None)
        if profile is not None:
            force = self._scales.get(profile.channels.load)
            angle = self._scales.get(profile.channels.arm_angle)
            self._joint = joint_torque(profile, force), joint_angle(profile, angle)

    def joint_torque(self, channel: int) -> JointValue | None:
        """Torque about the axis by the machine's profile, for samples of a load channel."""
        return self._joint[0] if channel == self._joint_channel else None

    def joint_angle(self, channel: int) -> JointValue | None:
        """Angle of the joint by the machine's profile, for samples of a load channel."""
        return self._joint[1] if channel == self._joint_channel else None

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
