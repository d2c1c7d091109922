"""An ideal box and a virtual host clock: the known truth behind the recording tests."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from steelyard.recording.file_format import Subject
from steelyard.recording.writer import RecordingWriter
from steelyard_protocol import codec, records
from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder
from steelyard_protocol.layout import layout_hash
from steelyard_protocol.messages import SEQUENCE_PERIOD, TICKS_PERIOD_US

BOOT = 0x1234567
UNIX_EPOCH_NS = 1_700_000_000_000_000_000
"""Wall clock of the virtual host at its monotonic zero."""


@dataclass
class VirtualClock:
    """A host clock that moves only when told to."""

    now_ns: int = 5_000_000_000

    def monotonic_ns(self) -> int:
        return self.now_ns

    def unix_ns(self) -> int:
        return UNIX_EPOCH_NS + self.now_ns

    def advance_s(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9)


@dataclass
class FrameSource:
    """Makes the frames of an ideal box, numbered and timed as a real one does."""

    boot_id: int = BOOT
    rate_hz: float = 80.0
    ticks_at_start_us: int = 1_000_000
    sequence: dict[tuple[str, int], int] = field(default_factory=dict)

    def _next(self, kind: str, channel: int) -> int:
        number = self.sequence.get((kind, channel), 0)
        self.sequence[kind, channel] = number + 1
        return number

    def ticks(self, seconds: float) -> int:
        return (self.ticks_at_start_us + round(seconds * 1e6)) % TICKS_PERIOD_US

    def skip(self, channel: int, count: int, kind: str = "load") -> None:
        """Number samples that are never sent."""
        self.sequence[kind, channel] = self.sequence.get((kind, channel), 0) + count

    def load(self, channel: int, flags: int = 0, counts: int | None = None) -> records.LoadSample:
        number = self._next("load", channel)
        return records.LoadSample(
            channel=channel,
            flags=flags,
            boot_id=self.boot_id,
            sequence=number % SEQUENCE_PERIOD,
            device_ticks_us=self.ticks(number / self.rate_hz),
            load_counts=1000 * channel + number if counts is None else counts,
            angle_counts=number % 4096,
            angle_age_us=250,
        )

    def angle(self, channel: int = 2) -> records.AngleSample:
        number = self._next("angle", channel)
        return records.AngleSample(
            channel=channel,
            flags=0,
            boot_id=self.boot_id,
            sequence=number,
            device_ticks_us=self.ticks(number / 200.0),
            angle_counts=number % 4096,
            sensor_status=0x20,
            sensor_gain=64,
            invalid_transitions_total=0,
        )

    def status(self, seconds: float, dropped: tuple[int, ...] = (0,) * 8) -> records.Status:
        uptime_us = self.ticks_at_start_us + round(seconds * 1e6)
        return records.Status(
            boot_id=self.boot_id,
            device_ticks_us=uptime_us % TICKS_PERIOD_US,
            uptime_ms=uptime_us // 1000,
            streaming=1,
            reset_cause=records.ResetCause.POWER_ON,
            queue_high_water=3,
            conversions_total=(0,) * 8,
            dropped_total=dropped,
            frames_sent_total=0,
            link_stalls_total=0,
            no_conversion_total=0,
            desync_total=0,
            saturated_total=0,
            discarded_total=0,
            late_read_total=0,
            bus_error_total=0,
            requests_total=0,
            garbage_bytes_total=0,
            temperature_centicelsius=2512,
            heap_free_bytes=0,
        )

    def event(self, seconds: float, kind: int) -> records.Event:
        return records.Event(
            boot_id=self.boot_id,
            sequence=self._next("event", 255),
            device_ticks_us=self.ticks(seconds),
            kind=kind,
            channel=255,
            flags=0,
        )

    def mark(self, seconds: float, clock: VirtualClock) -> records.TimeMark:
        return records.TimeMark(
            boot_id=self.boot_id,
            device_ticks_us=self.ticks(seconds),
            host_monotonic_ns=clock.monotonic_ns(),
            host_unix_ns=clock.unix_ns(),
            round_trip_us=400,
        )

    def identity(self) -> records.Identity:
        return records.Identity(
            correlation_id=1,
            protocol_major=1,
            protocol_minor=0,
            firmware_version=(0, 1, 0),
            layout_hash=layout_hash(),
            box_id=b"\x11\x22\x33\x44\x55\x66\x77\x00",
            boot_id=self.boot_id,
            ticks_period_us=TICKS_PERIOD_US,
            channel_count=3,
            queue_slots=256,
            board=codec.padded_text("pico", 16),
            box_name=codec.padded_text("heron-1", 16),
        )

    def channels(self) -> list[records.ChannelDescription]:
        parts = [
            (records.ChannelKind.LOAD, records.SensorKind.HX711, 80_000, 2),
            (records.ChannelKind.LOAD, records.SensorKind.HX711, 80_000, 2),
            (records.ChannelKind.ARM_ANGLE, records.SensorKind.AS5600, 200_000, 255),
        ]
        return [
            records.ChannelDescription(
                correlation_id=1,
                boot_id=self.boot_id,
                channel=index,
                kind=kind,
                sensor=sensor,
                gain=128,
                nominal_rate_millihertz=rate,
                counts_low=-(1 << 23),
                counts_high=(1 << 23) - 1,
                counts_per_turn=0 if kind == records.ChannelKind.LOAD else 4096,
                angle_channel=angle,
                sensor_serial=codec.padded_text(f"S{index}", 16),
            )
            for index, (kind, sensor, rate, angle) in enumerate(parts)
        ]

    def second(self, start_s: int, dropped: tuple[int, ...] = (0,) * 8) -> list[records.Record]:
        """All frames of one second of streaming, in the order a box sends them."""
        frames: list[records.Record] = []
        for tenth in range(10):
            for _ in range(8):
                frames += [self.load(0), self.load(1)]
            frames += [self.angle() for _ in range(20)]
            if tenth == 4:
                frames.append(self.status(start_s + 0.5, dropped))
        return frames


def encoded(frames: Iterable[records.Record]) -> bytes:
    return b"".join(codec.encode(frame) for frame in frames)


@dataclass
class RecordingMaker:
    """Writes whole recordings for tests, through the real writer."""

    folder: Path
    clock: VirtualClock = field(default_factory=VirtualClock)
    source: FrameSource = field(default_factory=FrameSource)
    made: int = 0

    def open(self, **options: object) -> RecordingWriter:
        self.made += 1
        path = self.folder / f"made-{self.made}.steelyard"
        return RecordingWriter(path, self.clock, Subject("Heron", "C-001"), **options)  # type: ignore[arg-type]

    def seconds(self, count: int) -> Path:
        """A clean recording of whole seconds with a time mark in each."""
        with self.open() as writer:
            writer.describe_box(self.source.identity(), self.source.channels())
            writer.link_opened()
            for second in range(count):
                writer.append_device_bytes(encoded(self.source.second(second)))
                self.clock.advance_s(1)
                writer.mark_time(self.source.mark(second + 1, self.clock))
        return writer.path


def decoded(data: bytes) -> tuple[list[object], list[CorruptFrame], list[Gap]]:
    """Records, corrupt frames and gaps that the streaming decoder finds."""
    events = StreamDecoder().feed(data)
    return (
        [event.record for event in events if isinstance(event, Message)],
        [event for event in events if isinstance(event, CorruptFrame)],
        [event for event in events if isinstance(event, Gap)],
    )
