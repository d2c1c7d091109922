"""What a validation found: plain data for programs, lines of text for people."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Final

from steelyard.recording.contents import Origin
from steelyard.recording.sample_tally import SequenceGap

LINES_PRINTED: Final = 20
"""Gaps and boots shown to people, each; programs get all."""


class Verdict(StrEnum):
    """How far a recording can be trusted."""

    SOUND = "sound"
    REMARKS = "usable with remarks"
    DAMAGED = "damaged"


@dataclass(frozen=True)
class Finding:
    """One thing that is not as it should be."""

    code: str
    """A name for programs; never changes."""
    text: str
    is_damage: bool


@dataclass
class ChannelReport:
    """One channel's samples.  ``None``: not known."""

    message: str
    channel: int
    kind: str
    sensor_serial: str
    samples_total: int
    no_reading_total: int
    flags: dict[str, int]
    duplicates_total: int
    out_of_order_total: int
    gaps_total: int
    missing_total: int
    missing_across_links_total: int
    dropped_by_box_total: int
    """By the box's own count, from its first status frame here to its last."""
    counters_agree: bool | None
    """Whether the box's count and the gaps tell the same story."""
    nominal_rate_hz: float | None
    measured_rate_hz: float | None


@dataclass
class BootReport:
    """One life of the box, from a start to the next, and its clock against the host's."""

    boot_id: int
    status_frames_total: int
    time_marks_total: int
    samples_total: int
    duration_seconds: float
    clock_fast_ppm: float | None = None
    clock_fast_ppm_uncertainty: float | None = None
    clock_residual_rms_us: float | None = None
    clock_residual_worst_us: float | None = None


@dataclass
class ValidationReport:
    """Everything a validation found.  Totals are exact; lists may be cut (see their docs)."""

    path: str
    size_bytes: int
    origin: Origin = field(default_factory=Origin)
    format_version: str = ""
    frames_good_total: int = 0
    frames_by_message: dict[str, int] = field(default_factory=dict)
    unknown_frames_total: int = 0
    frames_bad_total: int = 0
    bad_reasons: dict[str, int] = field(default_factory=dict)
    garbage_bytes_total: int = 0
    """Bytes of all bad frames, without their delimiters."""
    bad_slots_total: int = 0
    """Wire slots that bad frames fill: the most samples they can account for."""
    bad_places: list[int] = field(default_factory=list)
    """Offsets of the first 100 bad frames."""
    torn_tail_bytes: int = 0
    channels: list[ChannelReport] = field(default_factory=list)
    gaps: list[SequenceGap] = field(default_factory=list)
    """In file order; at most 10000 for each channel."""
    boots: list[BootReport] = field(default_factory=list)
    links_opened_total: int = 0
    links_lost_total: int = 0
    is_closed: bool = False
    wall_clock_steps_total: int = 0
    events: dict[str, int] = field(default_factory=dict)
    annotations_total: int = 0
    documents: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    @property
    def verdict(self) -> Verdict:
        """Sound, usable with remarks, or damaged."""
        if any(finding.is_damage for finding in self.findings):
            return Verdict.DAMAGED
        return Verdict.REMARKS if self.findings else Verdict.SOUND

    def passes(self, strict: bool = False) -> bool:
        """Whether the recording is good enough; ``strict`` allows no remark either."""
        allowed = (Verdict.SOUND,) if strict else (Verdict.SOUND, Verdict.REMARKS)
        return self.verdict in allowed

    @property
    def reboots_total(self) -> int:
        """Times the box started anew during the recording."""
        return max(0, len(self.boots) - 1)

    @property
    def missing_total(self) -> int:
        """Samples of all channels that were numbered and are not here."""
        return sum(channel.missing_total for channel in self.channels)

    def as_data(self) -> dict[str, Any]:
        """The report as plain dicts, lists, texts and numbers."""
        return {
            **dataclasses.asdict(self),
            "verdict": str(self.verdict),
            "reboots_total": self.reboots_total,
            "missing_total": self.missing_total,
        }

    def to_json(self) -> str:
        """The report as JSON text."""
        return json.dumps(self.as_data(), indent=2)

    def lines(self) -> list[str]:
        """The report for people, one line each."""
        return [
            f"{self.path}: {self.verdict}",
            *_origin_lines(self),
            *_frame_lines(self),
            *(_channel_line(channel) for channel in self.channels),
            *(_boot_line(boot) for boot in self.boots[:LINES_PRINTED]),
            *_more(len(self.boots), "starts of the box"),
            *_gap_lines(self.gaps),
            *(
                f"{'DAMAGE' if finding.is_damage else 'Remark'}: {finding.text}"
                for finding in self.findings
            ),
        ]


def utc_text(unix_ns: int) -> str:
    """A moment as ISO 8601 text in UTC, to the millisecond."""
    try:
        moment = datetime.fromtimestamp(unix_ns / 1e9, UTC)
    except (OverflowError, ValueError, OSError):
        return f"{unix_ns} ns after 1970"
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _origin_lines(report: ValidationReport) -> Iterator[str]:
    origin = report.origin
    if origin.recording_id:
        yield (
            f"  recording {origin.recording_id} begun {utc_text(origin.started_unix_ns)}"
            f" by {origin.software or 'unnamed software'}, format {report.format_version}"
        )
        yield (
            f"  machine {origin.machine or 'not named'}, client {origin.client_code or 'not named'}"
        )
    if origin.box_id:
        yield (
            f"  box {origin.box_id} ({origin.box_name or 'no name'}),"
            f" firmware {origin.firmware_version}"
        )


def _frame_lines(report: ValidationReport) -> Iterator[str]:
    yield (
        f"  {report.size_bytes} bytes: {report.frames_good_total} good frames,"
        f" {report.frames_bad_total} bad ({report.garbage_bytes_total} bytes of garbage),"
        f" {report.torn_tail_bytes} bytes of torn tail"
    )
    if report.frames_by_message:
        counts = ", ".join(f"{count} {name}" for name, count in report.frames_by_message.items())
        yield f"  {counts}"


def _channel_line(channel: ChannelReport) -> str:
    rate = "rate not known"
    if channel.measured_rate_hz is not None:
        rate = f"{channel.measured_rate_hz:.3f} Hz"
        if channel.nominal_rate_hz is not None:
            rate += f" (nominal {channel.nominal_rate_hz:g})"
    flags = ", ".join(f"{name} {count}" for name, count in channel.flags.items())
    return (
        f"  channel {channel.channel} {channel.kind}: {channel.samples_total} samples, {rate},"
        f" {channel.missing_total} missing in {channel.gaps_total} gaps,"
        f" box dropped {channel.dropped_by_box_total}" + (f"; flags: {flags}" if flags else "")
    )


def _more(count: int, what: str) -> Iterator[str]:
    if count > LINES_PRINTED:
        yield f"  and {count - LINES_PRINTED} more {what}"


def _boot_line(boot: BootReport) -> str:
    line = (
        f"  boot {boot.boot_id:08x}: {boot.samples_total} samples in"
        f" {boot.duration_seconds:.1f} s, {boot.time_marks_total} time marks"
    )
    if boot.clock_fast_ppm is not None:
        line += (
            f"; its clock runs {boot.clock_fast_ppm:+.2f} ± {boot.clock_fast_ppm_uncertainty:.2f}"
            f" ppm, residual {boot.clock_residual_rms_us:.0f} µs rms,"
            f" {boot.clock_residual_worst_us:.0f} µs at worst"
        )
    return line


def _gap_lines(gaps: list[SequenceGap]) -> Iterator[str]:
    for gap in gaps[:LINES_PRINTED]:
        across = " while the link was away" if gap.across_link_change else ""
        yield (
            f"  gap at byte {gap.offset}: channel {gap.channel}, {gap.missing} missing"
            f" from number {gap.first_missing_sequence}{across}"
        )
    yield from _more(len(gaps), "gaps")
