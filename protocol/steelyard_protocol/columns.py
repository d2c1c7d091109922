"""Numpy dtypes and empty tables for each message, derived from the layout."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .layout import FieldLayout, MessageLayout

_SIZES = {"B": "u1", "H": "<u2", "I": "<u4", "Q": "<u8", "h": "<i2", "i": "<i4"}


def field_dtype(item: FieldLayout) -> np.dtype[Any]:
    """dtype of one row of a field: a scalar, a sub-array, or ``S<n>`` for fixed bytes."""
    if item.is_bytes:
        return np.dtype(f"S{item.count}")
    scalar = np.dtype(_SIZES[item.format])
    return np.dtype((scalar, (item.count,))) if item.is_array else scalar


def message_dtype(message: MessageLayout) -> np.dtype[Any]:
    """Packed structured dtype of a whole message, its id first."""
    names = [("message_id", np.dtype("u1"))]
    names += [(item.name, field_dtype(item)) for item in message.fields]
    dtype = np.dtype(names)
    if dtype.itemsize != message.size:
        raise ValueError(f"{message.name}: {dtype.itemsize} bytes, not {message.size}")
    return dtype


def empty_columns(message: MessageLayout) -> dict[str, NDArray[Any]]:
    """One array of no rows for each field."""
    return {item.name: np.empty(0, field_dtype(item)) for item in message.fields}
