"""Tables of a recording as named columns with units, ready to be written in any format."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol.bulk import Table
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import EventKind
from steelyard_protocol.soundness import UNSOUND_LOAD

from steelyard.recording.contents import NO_HOST_TIME, Timeline
from steelyard.recording.rows import name_of

NO_TEMPERATURE: Final = -32768


class ForceReadings(Protocol):
    """Forces of many samples, each array of the shape of the counts."""

    @property
    def force_newtons(self) -> NDArray[np.float64]:
        """Forces [N]."""

    @property
    def standard_uncertainty_newtons(self) -> NDArray[np.float64]:
        """Their standard uncertainties [N]."""

    @property
    def extrapolated(self) -> NDArray[np.bool_]:
        """Where the counts lie outside what was calibrated."""


class ForceScale(Protocol):
    """What turns counts into newtons: a calibration of one channel.

    That it belongs to the recording's box, channel and sensor is for the
    caller to check.
    """

    @property
    def calibration_id(self) -> str:
        """Content hash of the calibration."""

    def force(self, counts: NDArray[np.float64]) -> ForceReadings:
        """Forces of raw counts, shape (n,)."""


@dataclass(frozen=True)
class ExportColumn:
    """One column; ``missing`` marks rows without a value (``None``: all have one)."""

    name: str
    values: NDArray[Any]
    unit: str = ""
    missing: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class ExportContext:
    """What the columns need besides the table."""

    timeline: Timeline
    forces: Mapping[int, ForceScale]
    """Calibration of each load channel that has one."""


def load_columns(table: Table, context: ExportContext) -> list[ExportColumn]:
    """Columns of the load table; forces only where a calibration was given."""
    columns = table.columns
    return [
        *_when(table, context),
        _as_is(table, "channel"),
        _as_is(table, "sequence"),
        _counts(table, "load_counts"),
        *(_forces(table, context.forces) if context.forces else []),
        _counts(table, "angle_counts"),
        ExportColumn("angle_age_us", columns["angle_age_us"], "us"),
        _as_is(table, "flags"),
    ]


def angle_columns(table: Table, context: ExportContext) -> list[ExportColumn]:
    """Columns of the angle table."""
    return [
        *_when(table, context),
        _as_is(table, "channel"),
        _as_is(table, "sequence"),
        _counts(table, "angle_counts"),
        _as_is(table, "sensor_status"),
        _as_is(table, "sensor_gain"),
        _as_is(table, "invalid_transitions_total"),
        _as_is(table, "flags"),
    ]


def status_columns(table: Table, context: ExportContext) -> list[ExportColumn]:
    """Columns of the status table; a counter of each channel is a column of its own."""
    result = _when(table, context)
    for name, values in table.columns.items():
        if name in ("boot_id", "device_ticks_us"):
            continue
        if name == "temperature_centicelsius":
            celsius = values.astype(np.float64) / 100
            missing = values == NO_TEMPERATURE
            result.append(ExportColumn("temperature_celsius", celsius, "degC", missing))
        elif values.ndim == 2:
            result += [
                ExportColumn(f"{name}_channel_{index}", np.ascontiguousarray(values[:, index]))
                for index in range(values.shape[1])
            ]
        else:
            unit = {"uptime_ms": "ms", "heap_free_bytes": "byte"}.get(name, "")
            result.append(ExportColumn(name, values, unit))
    return result


def event_columns(table: Table, context: ExportContext) -> list[ExportColumn]:
    """Columns of the event table, kinds by name."""
    kinds = [name_of(EventKind, kind) for kind in table.columns["kind"].tolist()]
    return [
        *_when(table, context),
        _as_is(table, "sequence"),
        ExportColumn("kind", np.array(kinds, dtype=object)),
        _as_is(table, "channel"),
        _as_is(table, "flags"),
    ]


@dataclass(frozen=True)
class ExportTable:
    """A table that can be exported: its name, its message, its columns."""

    name: str
    message: str
    columns: Callable[[Table, ExportContext], list[ExportColumn]]


EXPORT_TABLES: Final = (
    ExportTable("load", "load_sample", load_columns),
    ExportTable("angle", "angle_sample", angle_columns),
    ExportTable("status", "status", status_columns),
    ExportTable("events", "event", event_columns),
)


def _as_is(table: Table, name: str) -> ExportColumn:
    return ExportColumn(name, table.columns[name])


def _counts(table: Table, name: str) -> ExportColumn:
    values = table.columns[name]
    return ExportColumn(name, values, "count", values == NO_COUNTS)


def _when(table: Table, context: ExportContext) -> list[ExportColumn]:
    boots = table.columns["boot_id"]
    device_us = context.timeline.device_us(boots, table.columns["device_ticks_us"], table.offsets)
    unix_ns = context.timeline.host_unix_ns(boots, device_us)
    return [
        ExportColumn(
            "host_time_utc", unix_ns.view("datetime64[ns]"), "ns", unix_ns == NO_HOST_TIME
        ),
        ExportColumn("boot_id", boots),
        ExportColumn("device_time_us", device_us, "us"),
    ]


def _forces(table: Table, forces: Mapping[int, ForceScale]) -> list[ExportColumn]:
    columns = table.columns
    usable = (columns["load_counts"] != NO_COUNTS) & (columns["flags"] & UNSOUND_LOAD == 0)
    force_newtons = np.zeros(len(table))
    uncertainty_newtons = np.zeros(len(table))
    extrapolated = np.zeros(len(table), np.bool_)
    known = np.zeros(len(table), np.bool_)
    for channel, scale in forces.items():
        chosen = np.flatnonzero(usable & (columns["channel"] == channel))
        if not len(chosen):
            continue
        readings = scale.force(columns["load_counts"][chosen].astype(np.float64))
        force_newtons[chosen] = readings.force_newtons
        uncertainty_newtons[chosen] = readings.standard_uncertainty_newtons
        extrapolated[chosen] = readings.extrapolated
        known[chosen] = np.isfinite(readings.force_newtons)
    return [
        ExportColumn("force_newtons", force_newtons, "N", ~known),
        ExportColumn("force_standard_uncertainty_newtons", uncertainty_newtons, "N", ~known),
        ExportColumn("force_extrapolated", extrapolated, "", ~known),
    ]
