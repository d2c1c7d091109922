"""Decimation that keeps every extreme: lowest and highest of each stretch.  Pure numpy.

Why not every n-th sample, or means: a peak of one sample is what a strength
test is about, and a spike of one sample is what a fault looks like.  Both have
to be seen from ten hours away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Int64Array = NDArray[np.int64]


@dataclass(frozen=True)
class Envelope:
    """Stretches of a curve in order, each array of shape (n,).

    ``lowest`` and ``highest`` are NaN where a stretch has no usable value.
    """

    lowest: FloatArray
    highest: FloatArray
    usable_total: Int64Array
    """Values that count in each stretch."""
    unusable_total: Int64Array
    """Values that do not: no reading, or flagged as unsound."""

    def __len__(self) -> int:
        return len(self.lowest)


def envelope(values: NDArray[Any], usable: NDArray[np.bool_], starts: Int64Array) -> Envelope:
    """Lowest and highest usable value of each stretch.

    Args:
        values: shape (n,), n >= 1.
        usable: shape (n,); the others are counted and otherwise left out.
        starts: shape (m,), rising, the first one 0: where each stretch begins.
    """
    lengths = np.diff(starts, append=len(values))
    if usable.all():
        lowest = np.minimum.reduceat(values, starts).astype(np.float64)
        highest = np.maximum.reduceat(values, starts).astype(np.float64)
        return Envelope(lowest, highest, lengths, np.zeros_like(lengths))
    floats = np.where(usable, values, np.nan)
    lowest = np.fmin.reduceat(floats, starts)
    highest = np.fmax.reduceat(floats, starts)
    usable_total = np.add.reduceat(usable, starts, dtype=np.int64)
    return Envelope(lowest, highest, usable_total, lengths - usable_total)


def coarser(parts: Envelope, starts: Int64Array) -> Envelope:
    """Join neighbouring stretches; ``starts`` as in `envelope`, counted in stretches."""
    return Envelope(
        np.fmin.reduceat(parts.lowest, starts),
        np.fmax.reduceat(parts.highest, starts),
        np.add.reduceat(parts.usable_total, starts),
        np.add.reduceat(parts.unusable_total, starts),
    )


def joined(parts: list[Envelope]) -> Envelope:
    """One envelope after the other."""
    return Envelope(
        np.concatenate([part.lowest for part in parts]),
        np.concatenate([part.highest for part in parts]),
        np.concatenate([part.usable_total for part in parts]),
        np.concatenate([part.unusable_total for part in parts]),
    )


def run_starts(keys: NDArray[Any]) -> Int64Array:
    """Where each run of equal keys begins; shape (n,) to shape (m,)."""
    if keys.strides == (0,):  # one value, repeated without taking memory
        return np.zeros(min(1, len(keys)), np.int64)
    starts = np.flatnonzero(keys[1:] != keys[:-1]) + 1
    return np.concatenate([np.zeros(min(1, len(keys)), np.int64), starts])
