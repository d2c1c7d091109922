"""What the simulator's tests share: a hand-made HX711 reader and a streamed box."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from steelyard.simulator.box import VirtualBox
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.options import parse_options
from steelyard.simulator.parts.hx711 import HX711
from steelyard.simulator.parts.machine import Machine
from steelyard_protocol.codec import encode
from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder
from steelyard_protocol.records import AngleSample, Event, LoadSample, StartStream, Status

DATA, CLOCK = 2, 3


class Reader:
    """Clocks an HX711 by hand, as well or as badly as a test asks."""

    def __init__(self, ratio: float = 0.0, pin_cost_us: int = 1, **part: object) -> None:
        self.clock = VirtualClock(pin_cost_us=pin_cost_us)
        self.machine = Machine(self.clock)
        self.ratio = ratio
        self.data = self.machine.Pin.wire(DATA)
        self.sck = self.machine.Pin.wire(CLOCK)
        self.chip = HX711(
            self.clock,
            self.data,
            self.sck,
            lambda channel, _at_us: self.ratio if channel == "A" else 0.0,
            **part,  # type: ignore[arg-type]
        )
        self.data = self.machine.Pin(DATA, self.machine.Pin.IN)
        self.sck = self.machine.Pin(CLOCK, self.machine.Pin.OUT, value=0)

    def wait(self, limit_us: int = 1_000_000) -> int:
        """Let time pass until DOUT is low; the virtual time, or -1 after the limit."""
        end_us = self.clock.now_us + limit_us
        while self.clock.now_us < end_us:
            if not self.data.level:
                return self.clock.now_us
            self.clock.advance_to(min(self.clock.next_due_us, end_us))
        return -1

    def pulse(self, high_us: int = 1, low_us: int = 1) -> int:
        """One clock pulse; the bit seen in its high half.  0 us: at the same instant."""
        self.clock.pin_cost_us = 0
        self.sck.value(1)
        self.clock.sleep_us(high_us)
        bit = self.data.value()
        self.sck.value(0)
        self.clock.sleep_us(low_us)
        return bit

    def bits(self, count: int) -> int:
        """So many pulses; their bits as an unsigned number."""
        word = 0
        for _ in range(count):
            word = word << 1 | self.pulse()
        return word

    def read(self, pulses: int = 25) -> int:
        """Wait for a conversion and read it whole, with so many pulses in all."""
        assert self.wait() >= 0
        self.clock.sleep_us(1)
        word = self.bits(24)
        for _ in range(pulses - 24):
            self.pulse()
        return word - 0x1000000 if word & 0x800000 else word

    def settled(self, pulses: int = 25) -> int:
        """The value after the settling time."""
        for _ in range(5):
            self.read(pulses)
        return self.read(pulses)

    @property
    def rules_broken(self) -> Counter[str]:
        """Rules of the data sheet that were broken, with how often."""
        return Counter(violation.rule for violation in self.chip.violations)


@dataclass
class Stream:
    """A virtual box, streaming, and everything that came out of it."""

    box: VirtualBox
    messages: list[object] = field(default_factory=list)
    corrupt: list[CorruptFrame] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    raw: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        self._decoder = StreamDecoder()

    def run(self, seconds: float) -> None:
        """Let virtual time pass and take what comes."""
        end_us = self.box.now_us + round(seconds * 1e6)
        while self.box.now_us < end_us:
            self.box.run_until(min(end_us, self.box.now_us + 50_000))
            data = self.box.link.take()
            self.raw += data
            for event in self._decoder.feed(data):
                if isinstance(event, Message):
                    self.messages.append(event.record)
                elif isinstance(event, CorruptFrame):
                    self.corrupt.append(event)
                else:
                    self.gaps.append(event)

    def start(self) -> None:
        """Ask for samples."""
        self.box.link.send(encode(StartStream(correlation_id=1)))

    def loads(self, channel: int = 0) -> list[LoadSample]:
        return [m for m in self.messages if isinstance(m, LoadSample) and m.channel == channel]

    def angles(self, channel: int = 2) -> list[AngleSample]:
        return [m for m in self.messages if isinstance(m, AngleSample) and m.channel == channel]

    def events(self) -> list[Event]:
        return [m for m in self.messages if isinstance(m, Event)]

    def last_status(self) -> Status:
        return [m for m in self.messages if isinstance(m, Status)][-1]

    def clear(self) -> None:
        """Forget what came so far."""
        del self.messages[:]
        del self.raw[:]


def streaming(options: str = "heron?task=rest", settle_seconds: float = 0.4) -> Stream:
    """A box that has booted, settled and is sending samples."""
    stream = Stream(VirtualBox(parse_options(options)))
    stream.run(0.2)
    stream.start()
    stream.run(settle_seconds)
    stream.clear()
    return stream
