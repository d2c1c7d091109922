"""A box made of protocol records alone, for tests of what talks to one.

It answers requests as the protocol says and can be told to misbehave.  It has
no time of its own: whoever drives it says what time it is.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from steelyard_protocol import records
from steelyard_protocol.codec import encode, message_id, padded_text
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.layout import layout_hash
from steelyard_protocol.messages import PROTOCOL_MAJOR, PROTOCOL_MINOR, TICKS_PERIOD_US
from steelyard_protocol.records import ChannelKind, Outcome, Record, SensorKind

BOX_ID = bytes.fromhex("e6614c311b7e6a2f")
BANNER = b"\r\nMPY: soft reboot\r\nready in 2 s\r\n"


def identity(**changes: object) -> records.Identity:
    made = records.Identity(
        correlation_id=0,
        protocol_major=PROTOCOL_MAJOR,
        protocol_minor=PROTOCOL_MINOR,
        firmware_version=(0, 1, 0),
        layout_hash=layout_hash(),
        box_id=BOX_ID,
        boot_id=1111,
        ticks_period_us=TICKS_PERIOD_US,
        channel_count=2,
        queue_slots=256,
        board=padded_text("scripted", 16),
        box_name=padded_text("bench", 16),
    )
    return made._replace(**changes)  # type: ignore[arg-type]


def channel(number: int, boot_id: int, kind: ChannelKind) -> records.ChannelDescription:
    return records.ChannelDescription(
        correlation_id=0,
        boot_id=boot_id,
        channel=number,
        kind=kind,
        sensor=SensorKind.HX711 if kind == ChannelKind.LOAD else SensorKind.AS5600,
        gain=128,
        nominal_rate_millihertz=80_000,
        counts_low=-(1 << 23),
        counts_high=(1 << 23) - 1,
        counts_per_turn=0 if kind == ChannelKind.LOAD else 4096,
        angle_channel=1 if kind == ChannelKind.LOAD else 255,
        sensor_serial=padded_text(f"SN-{number}", 16),
    )


@dataclass
class ScriptedBox:
    identity: records.Identity = field(default_factory=identity)
    streaming: bool = False
    now_us: int = 0
    drop_answers: int = 0
    """So many of the next answers are lost on the way."""
    corrupt_answers: int = 0
    refuse_with: Outcome | None = None
    deaf: bool = False
    sequence: int = 0
    requests: list[Record] = field(default_factory=list)
    numbers: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._decoder = StreamDecoder()

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host; return the answer to them."""
        answer = b""
        for event in self._decoder.feed(data):
            if isinstance(event, Message) and not self.deaf:
                self.requests.append(event.record)  # type: ignore[arg-type]
                answer += self._deliver(self._answer(event.record))
        return answer

    def samples(self, count: int) -> bytes:
        """The next load samples, 12.5 ms apart."""
        return b"".join(encode(self.sample()) for _ in range(count))

    def sample(self) -> records.LoadSample:
        self.sequence += 1
        return records.LoadSample(
            channel=0,
            flags=0,
            boot_id=self.identity.boot_id,
            sequence=self.sequence,
            device_ticks_us=(self.now_us + self.sequence * 12_500) % TICKS_PERIOD_US,
            load_counts=1000 + self.sequence,
            angle_counts=2048,
            angle_age_us=900,
        )

    def reboot(self, boot_id: int) -> None:
        self.identity = self.identity._replace(boot_id=boot_id)
        self.streaming = False
        self.sequence = 0

    def describe(self, correlation_id: int = 0) -> list[Record]:
        boot_id = self.identity.boot_id
        kinds = [ChannelKind.LOAD, ChannelKind.ARM_ANGLE]
        answers: list[Record] = [self.identity._replace(correlation_id=correlation_id)]
        for number in range(self.identity.channel_count):
            made = channel(number, boot_id, kinds[number % 2])
            answers.append(made._replace(correlation_id=correlation_id))
        return answers

    def _deliver(self, answers: list[Record]) -> bytes:
        if self.drop_answers:
            self.drop_answers -= 1
            return b""
        data = bytearray(b"".join(encode(answer) for answer in answers))
        if self.corrupt_answers and data:
            self.corrupt_answers -= 1
            data[2] ^= 0x55
        return bytes(data)

    def _answer(self, request: object) -> list[Record]:
        boot_id = self.identity.boot_id
        if isinstance(request, records.Identify):
            return self.describe(request.correlation_id)
        number = request.correlation_id  # type: ignore[attr-defined]
        if self.refuse_with is not None:
            kind = message_id(request)  # type: ignore[arg-type]
            return [records.Reply(number, boot_id, kind, self.refuse_with, 7)]
        if isinstance(request, records.ReadClock):
            ticks = self.now_us % TICKS_PERIOD_US
            return [records.ClockReading(number, boot_id, ticks, (ticks + 40) % TICKS_PERIOD_US)]
        if isinstance(request, records.WriteSetting):
            self.numbers[request.key] = request.number
        if isinstance(request, (records.WriteSetting, records.ReadSetting)):
            value = self.numbers.get(request.key, 0)
            text = padded_text("", 16)
            return [records.Setting(number, boot_id, request.key, request.channel, value, text)]
        if isinstance(request, records.RunSelfTest):
            return [
                records.SelfTestResult(number, boot_id, i, 0, 80, -5, 5, 0, 80_000)
                for i in range(self.identity.channel_count)
            ]
        self.streaming = isinstance(request, records.StartStream)
        kind = message_id(request)  # type: ignore[arg-type]
        return [records.Reply(number, boot_id, kind, Outcome.DONE, 0)]


class VirtualClock:
    def __init__(self) -> None:
        self.now_ns = 1_000_000_000_000

    def monotonic_ns(self) -> int:
        return self.now_ns

    def unix_ns(self) -> int:
        return 1_700_000_000_000_000_000 + self.now_ns


class ScriptedPort:
    """An open port in virtual time with a scripted box at its end."""

    def __init__(self, box: ScriptedBox, delay_ns: int = 2_000_000) -> None:
        self.description = "scripted"
        self.clock = VirtualClock()
        self.box = box
        self.delay_ns = delay_ns
        self.closed = False
        self.written = b""
        self.fail_with: Exception | None = None
        self.arriving: deque[tuple[int, bytes]] = deque()

    def send(self, data: bytes, after_ns: int = 0) -> None:
        """Bytes on their way to the host."""
        self.arriving.append((self.clock.now_ns + after_ns, data))

    def read(self, timeout_seconds: float) -> bytes:
        deadline = self.clock.now_ns + round(timeout_seconds * 1e9)
        if self.arriving and self.arriving[0][0] <= deadline:
            due, data = self.arriving.popleft()
            self.clock.now_ns = max(self.clock.now_ns, due)
            return data
        if self.fail_with is not None:
            raise self.fail_with
        self.clock.now_ns = deadline
        return b""

    def write(self, data: bytes) -> None:
        if self.fail_with is not None:
            raise self.fail_with
        self.written += data
        self.box.now_us = (self.clock.now_ns + self.delay_ns // 2) // 1000
        answer = self.box.receive(data)
        if answer:
            self.send(answer, self.delay_ns)

    def close(self) -> None:
        self.closed = True

    def __enter__(self) -> ScriptedPort:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
