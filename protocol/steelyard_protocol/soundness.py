"""Which flags take the value of a sample away (OVERVIEW.md, "Values and flags")."""

from __future__ import annotations

from typing import Final

from .records import SampleFlags

UNSOUND_LOAD: Final = int(
    SampleFlags.SATURATED_HIGH
    | SampleFlags.SATURATED_LOW
    | SampleFlags.NO_CONVERSION
    | SampleFlags.DESYNC
    | SampleFlags.SETTLING
    | SampleFlags.SUSPECT
    | SampleFlags.OPEN_CIRCUIT
)
"""With any of these, ``load_counts`` is no measurement of the load."""

UNSOUND_ANGLE: Final = int(
    SampleFlags.NO_CONVERSION
    | SampleFlags.ANGLE_STALE
    | SampleFlags.BUS_ERROR
    | SampleFlags.MAGNET_MISSING
    | SampleFlags.OPEN_CIRCUIT
)
"""With any of these in an angle sample, ``angle_counts`` is no measurement of the angle."""

UNSOUND_ANGLE_OF_LOAD: Final = int(
    SampleFlags.ANGLE_STALE | SampleFlags.BUS_ERROR | SampleFlags.MAGNET_MISSING
)
"""The same for the angle that a load sample carries."""
