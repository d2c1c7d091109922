"""A box in virtual time on a cable that can be pulled: it knows what was really delivered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from host.recording.ideal_box import FrameSource, VirtualClock
from steelyard.errors import DeviceDisconnectedError, DeviceNotFoundError
from steelyard.transport.port import ClosesItself
from steelyard_protocol import codec, records
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.records import Outcome

TICK_SECONDS = 0.0125
"""One sample of channel 0 every so often."""
LATENCY_SECONDS = 0.0002


class SleepingClock(VirtualClock):
    def sleep(self, seconds: float) -> None:
        self.advance_s(seconds)


@dataclass
class VirtualBox:
    """One load channel at 80 samples/s, a status frame a second, answers to every request."""

    clock: SleepingClock = field(default_factory=SleepingClock)
    source: FrameSource = field(default_factory=FrameSource)
    box_id: bytes = b"\x11\x22\x33\x44\x55\x66\x77\x88"
    streaming: bool = False
    plugged: bool = True
    answers_clock: bool = True
    answers_stop: bool = True
    frozen: bool = False
    out: bytearray = field(default_factory=bytearray)
    delivered: list[tuple[int, int]] = field(default_factory=list)
    """(boot, number) of every sample whose last byte the host has read."""
    starts_total: int = 0
    cables_total: int = 1
    residue: bytes = b""
    """What the host's end of a pulled cable still holds."""

    def __post_init__(self) -> None:
        self._started_ns = self.clock.now_ns
        self._ticks_done = 0
        self._decoder = StreamDecoder()

    @property
    def seconds(self) -> float:
        return (self.clock.now_ns - self._started_ns) / 1e9

    def reboot(self) -> None:
        """Start anew: other boot id, numbers from zero, silent until told to stream."""
        self.source = FrameSource(boot_id=self.source.boot_id + 1)
        self._started_ns, self._ticks_done = self.clock.now_ns, 0
        self.streaming = False
        self.out.clear()

    def catch_up(self) -> None:
        """Make the frames of the time that has passed; without a cable samples go nowhere."""
        while (self._ticks_done + 1) * TICK_SECONDS <= self.seconds and not self.frozen:
            self._ticks_done += 1
            if self.streaming and self.plugged:
                self._send(self.source.load(0)._replace(device_ticks_us=self._ticks_us()))
            elif self.streaming:
                self.source.skip(0, 1)
            if self._ticks_done % 80 == 0 and self.plugged:
                self._send(self.source.status(self._ticks_done * TICK_SECONDS))

    def _ticks_us(self) -> int:
        return self.source.ticks(self._ticks_done * TICK_SECONDS)

    def take(self, data: bytes) -> None:
        for event in self._decoder.feed(data):
            if isinstance(event, Message) and not self.frozen:
                self._answer(event.record)

    def _answer(self, request: object) -> None:
        boot_id = self.source.boot_id
        if isinstance(request, records.Identify):
            identity = self.source.identity()._replace(
                correlation_id=request.correlation_id, box_id=self.box_id, channel_count=1
            )
            self._send(identity)
            self._send(self.source.channels()[0]._replace(correlation_id=request.correlation_id))
        elif isinstance(request, records.StopStream) and not self.answers_stop:
            return
        elif isinstance(request, (records.StartStream, records.StopStream)):
            self.streaming = isinstance(request, records.StartStream)
            self.starts_total += self.streaming
            number = 0x41 if self.streaming else 0x42
            reply = records.Reply(request.correlation_id, boot_id, number, Outcome.DONE, 0)
            self._send(reply)
        elif isinstance(request, records.ReadClock) and self.answers_clock:
            now = self.source.ticks(self.seconds)
            self._send(records.ClockReading(request.correlation_id, boot_id, now, now))

    def _send(self, record: records.Record) -> None:
        self.out += codec.encode(record)


@dataclass
class VirtualPort(ClosesItself):
    """The host's end of the cable."""

    box: VirtualBox
    on_time: Callable[[], None]
    description: str = "virtual:box"

    def __post_init__(self) -> None:
        self.clock = self.box.clock
        self._cable = self.box.cables_total
        self._observed = StreamDecoder()
        self.closed = False

    def read(self, timeout_seconds: float) -> bytes:
        deadline_ns = self.clock.now_ns + round(timeout_seconds * 1e9)
        self.clock.advance_s(LATENCY_SECONDS)
        while True:
            self.on_time()
            if self.box.residue and self._cable != self.box.cables_total:
                return self._take_residue()
            self._check()
            self.box.catch_up()
            if self.box.out or self.clock.now_ns >= deadline_ns:
                break
            self.clock.advance_s(min(0.005, timeout_seconds))
        data = bytes(self.box.out[:700])  # the end of which may be anywhere in a frame
        del self.box.out[:700]
        return self._observe(data)

    def _take_residue(self) -> bytes:
        data, self.box.residue = self.box.residue, b""
        return self._observe(data)

    def _observe(self, data: bytes) -> bytes:
        for event in self._observed.feed(data):
            if isinstance(event, Message) and isinstance(event.record, records.LoadSample):
                self.box.delivered.append((event.record.boot_id, event.record.sequence))
        return data

    def write(self, data: bytes) -> None:
        self._check()
        self.clock.advance_s(LATENCY_SECONDS)
        self.box.take(data)

    def close(self) -> None:
        self.closed = True

    def _check(self) -> None:
        self.on_time()
        if self.closed or self._cable != self.box.cables_total:
            raise DeviceDisconnectedError("The virtual cable is out.", "Put it in again.")


@dataclass
class Cable:
    """Opens ports to a box and pulls the plug at planned moments of virtual time.

    ``plan``: (seconds since the start, action), in order of time.
    """

    box: VirtualBox
    plan: list[tuple[float, Callable[[], None]]] = field(default_factory=list)
    broken_bytes: int = 0
    """Bytes of a frame that get through before the cable is out; the rest after it is in."""
    openings_total: int = 0

    def __post_init__(self) -> None:
        self._begun_ns = self.box.clock.now_ns

    def open(self) -> VirtualPort:
        self._act()
        if not self.box.plugged:
            raise DeviceNotFoundError("No such virtual port.", "Plug the box in.")
        self.openings_total += 1
        return VirtualPort(self.box, self._act)

    def unplug(self) -> None:
        self.box.catch_up()
        self.box.plugged = False
        self.box.cables_total += 1
        # What the box had not got rid of is lost with the cable, but the host
        # was handed the beginning of one more frame already.
        self.box.out.clear()
        if self.broken_bytes and self.box.streaming:
            frame = codec.encode(self.box.source.load(0))
            self.box.residue = frame[: self.broken_bytes]

    def plug(self) -> None:
        self.box.catch_up()
        self.box.plugged = True
        self.box.residue = b""
        if self.broken_bytes and self.box.streaming:
            # The host joins in the middle of a frame.
            self.box.out += codec.encode(self.box.source.load(0))[self.broken_bytes :]

    def _act(self) -> None:
        elapsed = (self.box.clock.now_ns - self._begun_ns) / 1e9
        while self.plan and self.plan[0][0] <= elapsed:
            self.plan.pop(0)[1]()
