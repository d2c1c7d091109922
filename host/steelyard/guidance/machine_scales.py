"""How counts of one machine's channels become torque and angles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from steelyard.calibration import AnyCalibration
from steelyard.strength.channel_scales import angle_scale, load_scale
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.recorded_signals import AngleScale
from steelyard.strength.torque_scale import TorqueScale, TorqueUncertainty

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MachineScales:
    """``torque`` gives not-a-number throughout where ``calibrated`` is False."""

    profile: MachineProfile
    torque: TorqueScale
    angle: AngleScale
    calibrated: bool = True

    @classmethod
    def of(
        cls, profile: MachineProfile, calibrations: Mapping[int, AnyCalibration], now: str
    ) -> Self:
        """From the calibrations in force, by channel; ``now`` (ISO 8601) gives their age.

        Without one of the load channel no torque is given; without one of the
        arm's angle the profile's one known angle serves.
        """
        load = calibrations.get(profile.channels.load)
        angle = angle_scale(calibrations.get(profile.channels.arm_angle), profile)
        scale = load_scale(load, profile, lambda one: one.age_days(now))
        return cls(profile, scale or _no_scale(), angle, calibrated=scale is not None)


def _no_scale() -> TorqueScale:
    def convert(counts: Array) -> tuple[Array, NDArray[np.bool_]]:
        return np.full(len(counts), np.nan), np.zeros(len(counts), np.bool_)

    unknown = np.array([np.nan, np.nan])
    return TorqueScale(convert, TorqueUncertainty(np.array([0.0, 1.0]), unknown, unknown), "")
