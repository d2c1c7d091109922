"""A stretch of samples that can be found again in the recording, to the sample.

A step's figures come from one stretch.  It is named by boot and sample numbers,
not by time, so that the same samples are cut from the recording as were there
live; then the same mathematics gives the same figures to the last digit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from steelyard.guidance.machine_scales import MachineScales
from steelyard.recording.contents import NO_HOST_TIME
from steelyard.strength.recorded_signals import signals_of
from steelyard.strength.sample_columns import LoadColumns, SampleColumns
from steelyard.strength.signals import Signals


class Numbered(SampleColumns, Protocol):
    """Columns (n) with what tells one sample from all others: recorded, or live."""

    @property
    def boots(self) -> NDArray[Any]:
        """Boot id."""

    @property
    def sequence(self) -> NDArray[Any]:
        """Number within the boot."""

    @property
    def offsets(self) -> NDArray[np.int64]:
        """Rising in the order of arrival, over all channels."""


class NumberedLoad(LoadColumns, Numbered, Protocol):
    """The same of a load channel."""


@dataclass(frozen=True)
class Stretch:
    """Load samples of one boot from ``first_sequence`` to ``last_sequence``, both included."""

    boot_id: int
    first_sequence: int
    last_sequence: int

    def text(self) -> str:
        """As it stands in a recording's remarks."""
        return f"{self.boot_id:x}:{self.first_sequence}-{self.last_sequence}"

    def signals(
        self, load: NumberedLoad, roller: Numbered | None, scales: MachineScales
    ) -> Signals:
        """Cut the stretch out and put it on the grid; its time starts with its first sample.

        Raises AnalysisError with fewer than two samples.
        """
        chosen = np.flatnonzero(
            (load.boots == self.boot_id)
            & (load.sequence >= self.first_sequence)
            & (load.sequence <= self.last_sequence)
        )
        cut = _LoadCut.of_load(load, chosen)
        beside = None
        if roller is not None and len(chosen):
            # By arrival, not by time: live, a later sample is not there yet.
            first, last = load.offsets[[chosen[0], chosen[-1]]]
            rows = (roller.boots == self.boot_id) & (roller.offsets >= first)
            beside = _Cut.of(roller, np.flatnonzero(rows & (roller.offsets <= last)))
        return signals_of(cut, scales.torque, scales.angle, beside, scales.profile.roller)


@dataclass(frozen=True)
class _Cut:
    boot_index: NDArray[np.int32]
    device_us: NDArray[np.int64]
    host_unix_ns: NDArray[np.int64]
    flags: NDArray[Any]
    angle_counts: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.device_us)

    @classmethod
    def of(cls, samples: SampleColumns, rows: NDArray[np.int64]) -> _Cut:
        return cls(*_common(samples, rows))


@dataclass(frozen=True)
class _LoadCut(_Cut):
    load_counts: NDArray[np.int32]
    angle_age_us: NDArray[Any]

    @classmethod
    def of_load(cls, load: LoadColumns, rows: NDArray[np.int64]) -> _LoadCut:
        return cls(*_common(load, rows), load.load_counts[rows], load.angle_age_us[rows])


def _common(samples: SampleColumns, rows: NDArray[np.int64]) -> tuple[Any, Any, Any, Any, Any]:
    count = len(rows)
    return (
        np.zeros(count, np.int32),
        samples.device_us[rows],
        np.full(count, NO_HOST_TIME, np.int64),
        samples.flags[rows],
        samples.angle_counts[rows],
    )
