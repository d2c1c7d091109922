"""What one poll of a box brought, as messages; and the counts of all of them."""

from __future__ import annotations

from typing import Any, Final

from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder
from steelyard_protocol.messages import NO_CHANNEL
from steelyard_protocol.records import AngleSample, Event, EventKind, LoadSample, Status

from steelyard.device import Poll
from steelyard.publish.bulletin import Bulletin, Kind, json_bulletin
from steelyard.publish.flag_words import flag_words, word_of
from steelyard.publish.live_clock import LiveClock
from steelyard.publish.sample_text import Sample, samples_bulletins
from steelyard.publish.scales import BoxScales

WIRE_TAIL_LIMIT_BYTES: Final = 512
"""More than any frame: without a delimiter for so long it is noise, and is passed on as such."""
WIRE_LIMIT_BYTES: Final = 16 * 1024
"""Longest message of frames; why, see `sample_text.MESSAGE_SAMPLES`."""
_RATE_SPAN_US: Final = 900_000


class Arrivals:
    """Follows one box's stream from poll to poll."""

    def __init__(self) -> None:
        self.clock = LiveClock()
        self.samples_total = 0
        self.samples_missing_total = 0
        self.corrupt_frames_total = 0
        self.reboots_total = 0
        self.clock_timeouts_total = 0
        self._tail = b""
        self._rates = _Rates()
        self._box_dropped_total = 0

    def bulletins(self, poll: Poll, scales: BoxScales) -> list[Bulletin]:
        """The messages of one poll: gaps and events in their order, samples, wire.

        A gap stands before the message that holds the first sample after it.
        """
        told: list[Bulletin] = []
        samples: list[Sample] = []
        for event in poll.events:
            if isinstance(event, Message):
                record = event.record
                if isinstance(record, (LoadSample, AngleSample)):
                    samples.append(record)
                elif isinstance(record, Event):
                    told.append(self._event(record))
                elif isinstance(record, Status):
                    self._status(record)
            elif isinstance(event, Gap):
                told.append(self._gap(event))
            elif isinstance(event, CorruptFrame):
                self.corrupt_frames_total += 1
            else:
                self.reboots_total += 1
        if samples:
            self.samples_total += len(samples)
            self._rates.count(samples)
            told += samples_bulletins(samples, self.clock, scales)
        frames = self._whole_frames(poll.raw)
        if len(frames) <= WIRE_LIMIT_BYTES:
            told += [Bulletin(Kind.WIRE, frames, len(samples))] if frames else []
        else:
            told += _wire_bulletins(frames)
        return told

    def link_lost(self) -> None:
        """The half frame at the end will never be whole."""
        self._tail = b""

    def state(self) -> dict[str, Any]:
        """Counts since the broker began, and measured rates, as plain data."""
        return {
            "samples_total": self.samples_total,
            "samples_missing_total": self.samples_missing_total,
            "box_dropped_total": self._box_dropped_total,
            "corrupt_frames_total": self.corrupt_frames_total,
            "reboots_total": self.reboots_total,
            "clock_timeouts_total": self.clock_timeouts_total,
            "measured_rate_hz": self._rates.measured(),
            "clock": self.clock.state(),
        }

    def _whole_frames(self, raw: bytes) -> bytes:
        data = self._tail + raw
        end = data.rfind(b"\x00") + 1
        if len(data) - end > WIRE_TAIL_LIMIT_BYTES:
            end = len(data)
        self._tail = data[end:]
        return data[:end]

    def _event(self, record: Event) -> Bulletin:
        device_us = self.clock.device_us(record.boot_id, record.device_ticks_us)
        return json_bulletin(
            Kind.EVENT,
            {
                "boot_id": record.boot_id,
                "sequence": record.sequence,
                "device_us": device_us,
                "unix_us": self.clock.unix_us(device_us),
                "event": word_of(EventKind, record.kind),
                "channel": _channel(record.channel),
                "flags": list(flag_words(record.flags)),
            },
        )

    def _gap(self, gap: Gap) -> Bulletin:
        self.samples_missing_total += gap.missing
        return json_bulletin(
            Kind.GAP,
            {
                "boot_id": gap.boot_id,
                "channel": _channel(gap.channel),
                "sequence_expected": gap.expected_sequence,
                "sequence_found": gap.found_sequence,
                "missing": gap.missing,
            },
        )

    def _status(self, record: Status) -> None:
        self.clock.device_us(record.boot_id, record.device_ticks_us, record.uptime_ms)
        self._box_dropped_total = sum(record.dropped_total)


class _Rates:
    """Samples a second by the box's own clock, over about the last second."""

    def __init__(self) -> None:
        self._began: dict[int, tuple[int, int, int]] = {}
        self._measured: dict[int, float] = {}

    def count(self, samples: list[Sample]) -> None:
        for sample in {sample.channel: sample for sample in samples}.values():  # the latest
            channel, ticks = sample.channel, sample.device_ticks_us
            boot_id, sequence, began_us = self._began.get(channel, (-1, 0, 0))
            if boot_id != sample.boot_id:
                self._began[channel] = (sample.boot_id, sample.sequence, ticks)
                self._measured.pop(channel, None)
                continue
            elapsed_us = (ticks - began_us) % (1 << 30)
            if elapsed_us >= _RATE_SPAN_US:
                # By sequence, not by what arrived: a lost sample was still taken.
                taken = (sample.sequence - sequence) % (1 << 30)
                self._measured[channel] = taken * 1e6 / elapsed_us
                self._began[channel] = (sample.boot_id, sample.sequence, ticks)

    def measured(self) -> dict[str, float]:
        return {str(key): round(rate, 3) for key, rate in sorted(self._measured.items())}


def _channel(number: int) -> int | None:
    return None if number == NO_CHANNEL else number


def _wire_bulletins(frames: bytes) -> list[Bulletin]:
    """Whole frames in messages of bounded length, each with the number of its samples."""
    bulletins = []
    start = 0
    while start < len(frames):
        limit = start + WIRE_LIMIT_BYTES
        end = frames.rfind(b"\x00", start, limit) + 1 or limit  # without any: noise, cut anywhere
        piece = frames[start:end]
        found = StreamDecoder().feed(piece)
        samples = [event for event in found if isinstance(event, Message)]
        total = sum(isinstance(event.record, (LoadSample, AngleSample)) for event in samples)
        bulletins.append(Bulletin(Kind.WIRE, piece, total))
        start = end
    return bulletins
