"""How a recording is coming along, for people who wait and for the summary at its end."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from steelyard_protocol.codec import UnknownMessage
from steelyard_protocol.decoder import CorruptFrame, Message, SequenceTracker
from steelyard_protocol.records import AngleSample, LoadSample, Record

from steelyard.device import BoxEvent


@dataclass
class RecordingProgress:
    """Counts so far.  The recorder goes on changing it: copy what is to be kept."""

    path: Path
    duration_seconds: float | None
    """Time asked for; ``None``: until stopped."""
    elapsed_seconds: float = 0.0
    size_bytes: int = 0
    samples_total: int = 0
    missing_total: int = 0
    """Samples and events that the box numbered and that did not arrive."""
    corrupt_frames_total: int = 0
    time_marks_total: int = 0
    clock_timeouts_total: int = 0
    """Times the box did not answer a comparison of clocks."""
    openings_total: int = 0
    losses_total: int = 0
    reboots_total: int = 0
    skipped_bytes_total: int = 0
    dropped_bytes_total: int = 0
    waiting_because: str = ""
    """Why nothing is being recorded at the moment; empty while it is."""
    storage_problem: str = ""
    """Why nothing is being written any more, though the session goes on; for the operator."""
    unwritten_bytes_total: int = 0
    """Bytes that the disk would not take."""


class ArrivalCount:
    """Counts what arrives (and what fails to), across lost links and reboots of the box."""

    def __init__(self, progress: RecordingProgress) -> None:
        self._progress = progress
        self._sequences = SequenceTracker()
        self._boot_id: int | None = None

    def add(self, events: list[BoxEvent]) -> None:
        """Take in the events of one poll.

        The session's own gap events are not used: a session sees one link
        only, and a gap across two links is a gap all the same.
        """
        for event in events:
            if isinstance(event, CorruptFrame):
                self._progress.corrupt_frames_total += 1
            elif isinstance(event, Message):
                self._add_record(event.record)

    def count_time_mark(self) -> None:
        """The box answered a comparison of clocks."""
        self._progress.time_marks_total += 1

    def count_clock_timeout(self) -> None:
        """The box did not answer a comparison of clocks."""
        self._progress.clock_timeouts_total += 1

    def count_loss(self) -> None:
        """The link was lost."""
        self._progress.losses_total += 1

    def _add_record(self, record: Record | UnknownMessage) -> None:
        self._progress.samples_total += isinstance(record, (LoadSample, AngleSample))
        gap = self._sequences.follow(record, 0)
        if gap is not None:
            self._progress.missing_total += gap.missing
        boot_id = getattr(record, "boot_id", None)
        if boot_id is not None and boot_id != self._boot_id:
            self._progress.reboots_total += self._boot_id is not None
            self._boot_id = boot_id
