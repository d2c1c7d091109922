"""What a recording holds besides samples: few frames, kept whole during a pass."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol import codec, records
from steelyard_protocol.bulk import Batch, Table, join_tables
from steelyard_protocol.messages import TICKS_PERIOD_US

from steelyard.recording.documents import DocumentAssembler
from steelyard.recording.envelope import run_starts
from steelyard.recording.rows import RowT, rows, table_name
from steelyard.time_sync import ClockModel, MarkColumns, TickTimeline

SAMPLE_TABLES: Final = ("load_sample", "angle_sample")
_BLOCK_ROWS: Final = 1 << 14
"""Worked on at once, so that what is needed on the way stays in the processor's cache."""

Int64Array = NDArray[np.int64]


class Contents:
    """Collects every table but the samples', batch by batch, and reads them as a whole.

    Ten hours hold some 36000 status frames and as many time marks: about 10 MB.
    """

    def __init__(self) -> None:
        self._parts: dict[str, list[Table]] = {}

    def add(self, batch: Batch) -> None:
        """Take in one batch."""
        for name, tables in batch.pieces.items():
            if name not in SAMPLE_TABLES:
                self._parts.setdefault(name, []).extend(tables)

    def table(self, name: str) -> Table:
        """All frames of one message so far, as columns."""
        return join_tables(name, self._parts.get(name, []))

    def rows(self, record_type: type[RowT]) -> list[RowT]:
        """All frames of one message so far, as records."""
        return rows(self.table(table_name(record_type)), record_type)

    def first_header(self) -> tuple[records.RecordingHeader, int] | None:
        """The first header and its offset, if there is one so far."""
        if "recording_header" not in self._parts:
            return None
        table = self._parts["recording_header"][0]
        return rows(table, records.RecordingHeader)[0], int(table.offsets[0])

    def documents(self) -> DocumentAssembler:
        """Longer texts, put together."""
        assembler = DocumentAssembler()
        for part in self.rows(records.RecordingDocument):
            assembler.add(part)
        return assembler

    def channels(self) -> dict[int, records.ChannelDescription]:
        """The latest description of each channel."""
        return {item.channel: item for item in self.rows(records.ChannelDescription)}

    def link_offsets(self, state: records.LinkState) -> Int64Array:
        """Where in the file the link changed to this state."""
        table = self.table("link_change")
        offsets: Int64Array = table.offsets[table.columns["state"] == state]
        return offsets


class Timeline:
    """Device ticks to unwrapped device time, and that to the host's clocks."""

    def __init__(self, contents: Contents) -> None:
        self._ticks = _tick_timeline(contents)
        self._anchored = frozenset(contents.table("status").columns["boot_id"].tolist())
        self._marks = _possible_marks(contents.table("time_mark"))

    @cached_property
    def clock(self) -> ClockModel:
        """What the time marks say of the two clocks; worked out when first asked for."""
        marks = self._marks
        device_us = self.device_us(
            marks.columns["boot_id"], marks.columns["device_ticks_us"], marks.offsets
        )
        return ClockModel.of_columns(
            MarkColumns(
                marks.columns["boot_id"],
                device_us,
                marks.columns["host_monotonic_ns"].astype(np.int64),
                marks.columns["host_unix_ns"].astype(np.int64),
                marks.columns["round_trip_us"].astype(np.int64),
            )
        )

    def device_us(
        self, boot_ids: NDArray[Any], ticks_us: NDArray[Any], offsets: Int64Array
    ) -> Int64Array:
        """Unwrapped device time [us] of frames by boot, ticks and place; all of shape (n,)."""
        runs = run_starts(boot_ids)
        if not self._anchored.issuperset(boot_ids[runs].tolist()):
            # Without a status frame every reading hangs on the one before it.
            return self._ticks.unwrap(boot_ids, ticks_us, offsets)
        result = np.empty(len(ticks_us), np.int64)
        firsts = np.arange(0, len(ticks_us), _BLOCK_ROWS)
        lasts = np.append(firsts[1:], len(ticks_us))[: len(firsts)] - 1
        one_boot = np.searchsorted(runs, firsts, "right") == np.searchsorted(runs, lasts, "right")
        ends = np.concatenate([firsts, lasts])
        ends_us = self._ticks.unwrap(boot_ids[ends], ticks_us[ends], offsets[ends]).reshape(2, -1)
        for first, last, same, (first_us, last_us) in zip(
            firsts.tolist(), lasts.tolist(), one_boot.tolist(), ends_us.T, strict=True
        ):
            rows = slice(first, last + 1)
            steps = (ticks_us[rows] - ticks_us[first]) & (TICKS_PERIOD_US - 1)
            # Where time only goes forward the ends of a block tell of all between them.
            if same and steps[-1] == last_us - first_us and (steps[1:] >= steps[:-1]).all():
                np.add(steps, first_us, out=result[rows])
            else:
                result[rows] = self._ticks.unwrap(boot_ids[rows], ticks_us[rows], offsets[rows])
        return result

    def host_unix_ns(self, boot_ids: NDArray[Any], device_us: Int64Array) -> Int64Array:
        """Host wall clock [ns since 1970 UTC] of unwrapped device times, shape (n,).

        `NO_HOST_TIME` for frames of a boot that has no time mark.
        """
        result = np.full(len(device_us), NO_HOST_TIME, np.int64)
        for first in range(0, len(device_us), _BLOCK_ROWS):
            rows = slice(first, first + _BLOCK_ROWS)
            boots, times, found = boot_ids[rows], device_us[rows], result[rows]
            for boot_id in self.clock.boot_ids:
                chosen = boots == boot_id
                if chosen.all():  # nearly always, and then nothing needs picking
                    found[:] = self.clock.unix_ns(boot_id, times)
                elif chosen.any():
                    found[chosen] = self.clock.unix_ns(boot_id, times[chosen])
        return result


def _possible_marks(marks: Table) -> Table:
    """Leave out marks whose host times no clock of this era can give (beyond the year 2116)."""
    possible = (marks.columns["host_monotonic_ns"] < HOST_TIME_LIMIT_NS) & (
        marks.columns["host_unix_ns"] < HOST_TIME_LIMIT_NS
    )
    columns = {name: values[possible] for name, values in marks.columns.items()}
    return Table(columns, marks.offsets[possible])


HOST_TIME_LIMIT_NS: Final = 1 << 62
NO_HOST_TIME: Final = np.iinfo(np.int64).min
"""Host time of a frame that no time mark ties to the host's clock (numpy's NaT)."""


def _tick_timeline(contents: Contents) -> TickTimeline:
    """Anchor ticks at the status frames, and once more where a link was opened again.

    Why the second: the first samples after a long silence come before the first
    status frame. Without an anchor of their own they would be placed by the last
    status frame before the silence, wrong by whole periods of the clock.
    """
    status = contents.table("status")
    openings = contents.link_offsets(records.LinkState.OPENED)
    following = np.searchsorted(status.offsets, openings)
    has_one = following < len(status)
    index = np.concatenate([np.arange(len(status)), following[has_one]])
    offsets = np.concatenate([status.offsets, openings[has_one]])
    order = np.argsort(offsets, kind="stable")
    index, offsets = index[order], offsets[order]
    columns = status.columns
    return TickTimeline(
        columns["boot_id"][index],
        columns["device_ticks_us"][index],
        columns["uptime_ms"][index],
        offsets,
    )


@dataclass(frozen=True)
class Origin:
    """Whose recording this is, as texts; empty where the recording does not say."""

    recording_id: str = ""
    machine: str = ""
    client_code: str = ""
    software: str = ""
    started_unix_ns: int = 0
    box_id: str = ""
    box_name: str = ""
    firmware_version: str = ""


def origin(contents: Contents) -> Origin:
    """Read header and identity."""
    facts: dict[str, Any] = {}
    found = contents.first_header()
    if found is not None:
        header = found[0]
        facts |= {
            "recording_id": str(uuid.UUID(bytes=header.recording_id)),
            "machine": codec.plain_text(header.machine),
            "client_code": codec.plain_text(header.client_code),
            "software": codec.plain_text(header.software),
            "started_unix_ns": header.host_unix_ns,
        }
    identities = contents.rows(records.Identity)
    if identities:
        box = identities[0]
        facts |= {
            "box_id": box.box_id.hex(),
            "box_name": codec.plain_text(box.box_name),
            "firmware_version": ".".join(map(str, box.firmware_version)),
        }
    return Origin(**facts)
