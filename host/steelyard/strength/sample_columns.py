"""What the analysis needs of samples, wherever they come from: a recording, or live.

``recording.reader.LoadSamples`` and ``AngleSamples`` fit as they are.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray


class SampleColumns(Protocol):
    """Columns of shape (n,) in the order of time; see ``recording.reader.SampleTimes``."""

    def __len__(self) -> int: ...

    @property
    def boot_index(self) -> NDArray[np.int32]:
        """Which boot of the box, counted from 0."""

    @property
    def device_us(self) -> NDArray[np.int64]:
        """Unwrapped device time [us]; starts anew, at any value, with each boot."""

    @property
    def host_unix_ns(self) -> NDArray[np.int64]:
        """Host time [ns], or ``recording.contents.NO_HOST_TIME``; asked for after restarts only."""

    @property
    def flags(self) -> NDArray[Any]:
        """Bits of ``records.SampleFlags``."""

    @property
    def angle_counts(self) -> NDArray[np.int32]:
        """Raw angle, or ``messages.NO_COUNTS``."""


class LoadColumns(SampleColumns, Protocol):
    """One load channel."""

    @property
    def load_counts(self) -> NDArray[np.int32]:
        """Raw conversions, or ``messages.NO_COUNTS``."""

    @property
    def angle_age_us(self) -> NDArray[Any]:
        """How old the angle was when the conversion was ready."""
