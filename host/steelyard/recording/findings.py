"""Rules that turn what was counted in a recording into findings.

Damage is what cannot be accounted for: broken frames, samples that vanished
without the box or the link saying so.  What the box or the link did report is
a remark, because an analysis can take it into account.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from steelyard.recording.validation_report import ChannelReport, Finding, ValidationReport

NOTABLE_FLAGS: Final = (
    "saturated_high",
    "saturated_low",
    "no_conversion",
    "desync",
    "suspect",
    "late_read",
    "angle_stale",
    "bus_error",
    "magnet_missing",
    "magnet_weak",
    "magnet_strong",
    "open_circuit",
    "overload",
)
"""Flags that make a remark. `settling` after a start and the button are no fault."""

SLOWEST_RATE: Final = 0.95
FASTEST_RATE: Final = 1.20
"""Measured over nominal. A converter sold as 80 samples/s gives up to 94 (its
oscillator is that loose), and none is allowed to be much slower."""
RESIDUAL_LIMIT_US: Final = 5000.0
"""Clock residual (rms) that makes a remark: less than half a sample at 80 samples/s."""


def findings(report: ValidationReport, document_problems: tuple[str, ...]) -> list[Finding]:
    """Everything that is not as it should be, damage first."""
    found = [
        *_frame_findings(report),
        *(_damage("document_incomplete", problem + ".") for problem in document_problems),
        *_sequence_findings(report),
        *_channel_findings(report),
        *_link_findings(report),
        *_clock_findings(report),
    ]
    return sorted(found, key=lambda finding: not finding.is_damage)


def _damage(code: str, text: str) -> Finding:
    return Finding(code, text, True)


def _remark(code: str, text: str) -> Finding:
    return Finding(code, text, False)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _frame_findings(report: ValidationReport) -> Iterator[Finding]:
    headers = report.frames_by_message.get("recording_header", 0)
    if not headers:
        yield _damage("header_missing", "the file has no recording header.")
    if headers > 1:
        yield _damage("several_headers", f"the file has {headers} recording headers.")
    if report.frames_bad_total:
        reasons = ", ".join(f"{reason}: {count}" for reason, count in report.bad_reasons.items())
        yield _damage(
            "bad_frames",
            f"{report.frames_bad_total} bad frames, {report.garbage_bytes_total} bytes"
            f" ({reasons}); the first at byte {report.bad_places[0]}.",
        )
    if report.unknown_frames_total:
        yield _remark(
            "unknown_frames",
            f"{report.unknown_frames_total} frames of kinds that this program does not know;"
            " a newer one may.",
        )
    if report.torn_tail_bytes:
        yield _remark(
            "torn_tail",
            f"the last {report.torn_tail_bytes} bytes are an unfinished frame and are ignored;"
            " a trimmed copy can be made.",
        )


def _sequence_findings(report: ValidationReport) -> Iterator[Finding]:
    late = sum(channel.out_of_order_total for channel in report.channels)
    if late:
        yield _damage("out_of_order", f"{late} samples are older than the ones before them.")
    twice = sum(channel.duplicates_total for channel in report.channels)
    if twice:
        yield _remark("duplicates", f"{twice} samples carry the same number as the one before.")
    missing = report.missing_total
    if not missing:
        return
    across = sum(channel.missing_across_links_total for channel in report.channels)
    gaps = sum(channel.gaps_total for channel in report.channels)
    yield _remark(
        "gaps",
        f"{missing} samples missing in {gaps} gaps, {across} of them while the link was away.",
    )
    unexplained = unexplained_missing(report)
    if unexplained:
        yield _damage(
            "unexplained_gaps",
            f"{unexplained} samples vanished: the box did not drop them, the link was not away"
            " and no bad frame accounts for them.",
        )


def unexplained_missing(report: ValidationReport) -> int:
    """Missing samples that neither box, nor link, nor bad frames account for."""
    beyond_box = sum(
        max(
            0,
            channel.missing_total
            - channel.missing_across_links_total
            - channel.dropped_by_box_total,
        )
        for channel in report.channels
    )
    return max(0, beyond_box - report.bad_slots_total)


def _channel_findings(report: ValidationReport) -> Iterator[Finding]:
    if not any(channel.samples_total for channel in report.channels):
        yield _remark("no_samples", "the recording holds no samples.")
    for channel in report.channels:
        where = f"channel {channel.channel} ({channel.kind})"
        if channel.counters_agree is False:
            yield _damage(
                "counters_disagree",
                f"{where}: the box says it dropped {channel.dropped_by_box_total} samples,"
                f" the recording misses {channel.missing_total}.",
            )
        notable = [name for name in NOTABLE_FLAGS if channel.flags.get(name)]
        if notable:
            counts = ", ".join(f"{name} {channel.flags[name]}" for name in notable)
            yield _remark(
                "flagged_samples", f"{where}: {counts} of {channel.samples_total} samples."
            )
        yield from _rate_findings(channel, where)


def _rate_findings(channel: ChannelReport, where: str) -> Iterator[Finding]:
    measured, nominal = channel.measured_rate_hz, channel.nominal_rate_hz
    if nominal is None:
        yield _remark("undescribed_channel", f"{where}: the box's description is not here.")
    elif measured is not None and not SLOWEST_RATE * nominal <= measured <= FASTEST_RATE * nominal:
        yield _remark(
            "wrong_rate", f"{where}: {measured:.2f} samples/s, nominal {nominal:g} samples/s."
        )


def _link_findings(report: ValidationReport) -> Iterator[Finding]:
    if report.links_lost_total:
        yield _remark("link_lost", f"the link was lost {_times(report.links_lost_total)}.")
    if report.reboots_total:
        yield _remark(
            "reboots",
            f"the box started anew {_times(report.reboots_total)}; samples around a start"
            " cannot be counted.",
        )
    if not report.frames_by_message.get("identity"):
        yield _remark("identity_missing", "the recording does not say which box it is from.")
    if not report.is_closed:
        yield _remark("not_closed", "the recording was not closed: it is going on, or broke off.")


def _clock_findings(report: ValidationReport) -> Iterator[Finding]:
    unmarked = [boot for boot in report.boots if boot.samples_total and not boot.time_marks_total]
    for boot in unmarked:
        yield _remark(
            "time_marks_missing",
            f"boot {boot.boot_id:08x}: no time marks, so {boot.samples_total} samples have no"
            " host time.",
        )
    for boot in report.boots:
        residual = boot.clock_residual_rms_us
        if residual is not None and residual > RESIDUAL_LIMIT_US:
            yield _remark(
                "clock_residual",
                f"boot {boot.boot_id:08x}: time marks scatter by {residual:.0f} µs rms.",
            )
    if report.wall_clock_steps_total:
        yield _remark(
            "wall_clock_steps",
            f"the host's wall clock was set {_times(report.wall_clock_steps_total)} meanwhile;"
            " host times follow the clock as it was at the beginning.",
        )
