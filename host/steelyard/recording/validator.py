"""Is this recording sound?  One pass, constant memory, any bytes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from enum import IntEnum
from itertools import chain
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol.bulk import Batch
from steelyard_protocol.messages import SLOT_BYTES
from steelyard_protocol.records import DocumentKind, EventKind, LinkState

from steelyard.recording.channel_check import channel_report
from steelyard.recording.contents import SAMPLE_TABLES, Contents, Timeline, origin
from steelyard.recording.file_format import version_problem
from steelyard.recording.findings import findings
from steelyard.recording.rows import name_of
from steelyard.recording.sample_tally import SampleTallies
from steelyard.recording.scan import Progress, RecordingScan, not_a_recording
from steelyard.recording.validation_report import (
    BootReport,
    ChannelReport,
    Finding,
    ValidationReport,
)

_PLACES_LISTED: Final = 100


def validate(path: Path, progress: Progress | None = None) -> ValidationReport:
    """Check every frame of a recording and everything that can be checked across frames.

    Memory does not grow with the samples (some 10 MB for each ten hours of
    status frames and time marks).  A recording that is still growing is
    checked up to where it ended when the check began.

    Raises:
        RecordingStorageError: not there, not a file, or not readable.
        RecordingFormatError: empty, or without a single sound frame.
    """
    scan = RecordingScan(path, progress)
    return _Validation(scan).run()


class _Validation:
    """One pass over one file."""

    def __init__(self, scan: RecordingScan) -> None:
        self.scan = scan
        self.contents = Contents()
        self.tallies = SampleTallies()
        self.frames: Counter[str] = Counter()
        self.reasons: Counter[str] = Counter()
        self.report = ValidationReport(str(scan.path), scan.size_bytes)

    def run(self) -> ValidationReport:
        for batch in self.scan:
            self._count_frames(batch)
            self.contents.add(batch)
            problem = self._version_problem()
            if problem:
                self.report.origin = origin(self.contents)
                self.report.findings = [Finding("version_unsupported", problem + ".", True)]
                return self.report
            openings = self.contents.link_offsets(LinkState.OPENED)
            for name in SAMPLE_TABLES:
                for table in batch.pieces.get(name, ()):
                    self.tallies.add(name, table, openings)
        if not self.report.frames_good_total:
            raise not_a_recording(self.scan.path, self.scan.size_bytes)
        self._describe()
        return self.report

    def _count_frames(self, batch: Batch) -> None:
        report = self.report
        report.frames_good_total += batch.frame_count
        report.unknown_frames_total += len(batch.unknown)
        report.frames_bad_total += len(batch.corrupt)
        report.garbage_bytes_total += sum(frame.length for frame in batch.corrupt)
        # A damaged delimiter makes one bad frame out of two: count by length, not by frame.
        report.bad_slots_total += sum(
            -(-(frame.length + 1) // SLOT_BYTES) for frame in batch.corrupt
        )
        room = _PLACES_LISTED - len(report.bad_places)
        report.bad_places += [frame.offset for frame in batch.corrupt[:room]]
        self.reasons.update(frame.reason for frame in batch.corrupt)
        for name, tables in batch.pieces.items():
            self.frames[name] += sum(map(len, tables))

    def _version_problem(self) -> str:
        found = self.contents.first_header()
        return version_problem(found[0]) if found is not None else ""

    def _describe(self) -> None:
        report, contents = self.report, self.contents
        documents = contents.documents()
        timeline = Timeline(contents)
        spans = self._spans_us(timeline)
        report.origin = origin(contents)
        header = contents.first_header()
        if header is not None:
            report.format_version = f"{header[0].format_major}.{header[0].format_minor}"
        report.frames_by_message = dict(self.frames)
        report.bad_reasons = dict(self.reasons)
        report.torn_tail_bytes = self.scan.torn_tail_bytes
        report.channels = self._channels(spans)
        gaps = chain.from_iterable(tally.gaps for tally in self.tallies.all())
        report.gaps = sorted(gaps, key=lambda gap: gap.offset)
        report.boots = self._boots(timeline, spans)
        report.links_opened_total = len(contents.link_offsets(LinkState.OPENED))
        report.links_lost_total = len(contents.link_offsets(LinkState.LOST))
        report.is_closed = len(contents.link_offsets(LinkState.CLOSED)) > 0
        report.wall_clock_steps_total = len(timeline.clock.wall_clock_steps)
        report.events = _named_counts(contents.table("event").columns["kind"], EventKind)
        report.annotations_total = self.frames["annotation"]
        report.documents = [name_of(DocumentKind, item.kind) for item in documents.documents()]
        report.findings = findings(report, documents.problems())

    def _spans_us(self, timeline: Timeline) -> dict[tuple[str, int, int], tuple[int, int]]:
        """Unwrapped time of each channel's first and last sample in each boot."""
        result = {}
        for tally in self.tallies.all():
            for boot_id, span in tally.spans.items():
                ticks = np.array([span.first_ticks_us, span.last_ticks_us])
                places = np.array([span.first_offset, span.last_offset])
                first, last = timeline.device_us(np.full(2, boot_id), ticks, places).tolist()
                result[tally.message, tally.channel, boot_id] = (first, last)
        return result

    def _channels(
        self, spans_us: dict[tuple[str, int, int], tuple[int, int]]
    ) -> list[ChannelReport]:
        descriptions = self.contents.channels()
        status = self.contents.table("status")
        return [
            channel_report(tally, descriptions.get(tally.channel), status, spans_us)
            for tally in self.tallies.all()
        ]

    def _boots(
        self, timeline: Timeline, spans_us: dict[tuple[str, int, int], tuple[int, int]]
    ) -> list[BootReport]:
        status_boots = self.contents.table("status").columns["boot_id"]
        mark_boots = self.contents.table("time_mark").columns["boot_id"]
        result = []
        for boot_id in self._boot_ids():
            own = [span for (_, _, boot), span in spans_us.items() if boot == boot_id]
            report = BootReport(
                boot_id=boot_id,
                status_frames_total=int(np.count_nonzero(status_boots == boot_id)),
                time_marks_total=int(np.count_nonzero(mark_boots == boot_id)),
                samples_total=sum(
                    tally.spans[boot_id].samples_total
                    for tally in self.tallies.all()
                    if boot_id in tally.spans
                ),
                duration_seconds=_extent_seconds(own),
            )
            _add_clock(report, timeline)
            result.append(report)
        return result

    def _boot_ids(self) -> list[int]:
        """Every boot that samples or status frames name, in order of appearance."""
        first: dict[int, int] = {}
        status = self.contents.table("status")
        seen: Iterable[tuple[int, int]] = zip(
            status.columns["boot_id"].tolist(), status.offsets.tolist(), strict=True
        )
        for tally in self.tallies.all():
            seen = chain(seen, ((boot, span.first_offset) for boot, span in tally.spans.items()))
        for boot_id, offset in seen:
            first[boot_id] = min(offset, first.get(boot_id, offset))
        return sorted(first, key=lambda boot_id: first[boot_id])


def _add_clock(report: BootReport, timeline: Timeline) -> None:
    """Describe the boot's clock by the fit that rests on most time marks."""
    if report.boot_id not in timeline.clock.boot_ids:
        return
    fit = max(timeline.clock.fits(report.boot_id), key=lambda fit: fit.mark_count)
    report.clock_fast_ppm = fit.device_fast_ppm
    report.clock_fast_ppm_uncertainty = fit.device_fast_ppm_uncertainty
    report.clock_residual_rms_us = fit.residual_rms_us
    report.clock_residual_worst_us = fit.residual_worst_us


def _extent_seconds(spans_us: list[tuple[int, int]]) -> float:
    if not spans_us:
        return 0.0
    return (max(last for _, last in spans_us) - min(first for first, _ in spans_us)) / 1e6


def _named_counts(values: NDArray[Any], names: type[IntEnum]) -> dict[str, int]:
    return {name_of(names, value): count for value, count in Counter(values.tolist()).items()}
