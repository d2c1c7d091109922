"""The whole firmware on simulated parts in virtual time, seen from the host's end of the port."""

from __future__ import annotations

import random
from contextlib import nullcontext
from typing import Any, TypeVar

import board
from box.app import App
from firmware.pio_rig import state_machines
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.bench import Bench, Inputs
from steelyard.simulator.parts.machine import Machine
from steelyard_protocol import codec, records
from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder

SLOT_BYTES = 32
Record = TypeVar("Record")


class Feel(Inputs):
    """What the parts feel, set by the test."""

    def __init__(self) -> None:
        self.ratios = [0.0005, 0.001]
        self.degrees = 40.0
        self.fraction = 0.5

    def bridge_ratio(self, index: int, at_us: int) -> float:
        return self.ratios[index]

    def shaft_degrees(self, at_us: int) -> float:
        return self.degrees

    def roller_fraction(self, at_us: int) -> float:
        return self.fraction


class HostEnd:
    """Both directions of the port; `slots` bounds what the host has not read yet."""

    def __init__(self, slots: int | None = None) -> None:
        self.slots = slots
        self.to_host = bytearray()
        self.to_box = bytearray()
        self.write_sizes: set[int] = set()

    def read_byte(self) -> int:
        return self.to_box.pop(0) if self.to_box else -1

    def has_room(self) -> bool:
        return self.slots is None or len(self.to_host) < self.slots * SLOT_BYTES

    def write_slot(self, slot: memoryview) -> None:
        if not self.has_room():
            raise AssertionError("a slot was written to a full port")
        self.write_sizes.add(len(slot))
        self.to_host += slot


class Files:
    """Storage; `failing` makes every write fail, `cut` ends the next after so many bytes."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.failing = False
        self.cut: int | None = None
        self.writes_total = 0

    def read(self, name: str) -> bytes | None:
        return self.files.get(name)

    def read_part(self, name: str, offset: int, length: int) -> bytes | None:
        data = self.read(name)
        return None if data is None else data[offset : offset + length]

    def append(self, name: str, data: bytes) -> None:
        self.write(name, (self.read(name) or b"") + bytes(data))

    def write(self, name: str, data: bytes) -> None:
        if self.failing:
            raise OSError(28, "no space")
        self.writes_total += 1
        self.files[name] = bytes(data[: self.cut])
        if self.cut is not None:
            raise OSError(5, "power lost")


class Rig:
    """A box, its parts and a host.  `pio`: its amplifiers are read by state machines."""

    def __init__(
        self,
        *,
        seed: int = 1,
        slots: int | None = None,
        files: Files | None = None,
        ticks_offset_us: int = 0,
        boot_id: int = 77,
        reset_cause: int = 1,
        pio: bool = False,
        rate_sps: int = 80,
    ) -> None:
        noise = random.Random(seed)
        self.clock = VirtualClock(ticks_offset_us=ticks_offset_us)
        self.machine = Machine(self.clock, gauss=noise.gauss)
        self.machine.restart(reset_cause)
        self.feel = Feel()
        self.bench = Bench(
            self.clock, self.machine, self.feel, gauss=noise.gauss, rate_sps=rate_sps
        )
        self.port = HostEnd(slots)
        self.files = files or Files()
        self.decoder = StreamDecoder()
        self._pio = pio
        self._boot_id = boot_id
        self._boot()

    def _boot(self) -> None:
        with state_machines() if self._pio else nullcontext():
            self.board = board.build(
                self.machine, self.clock, random_bytes=lambda n: self._boot_id.to_bytes(n, "little")
            )
        self.app = App(self.board, self.port, self.clock, self.files)

    def restart(self) -> None:
        """Power away and back."""
        self.machine.restart(1)
        self._boot_id += 1
        self._boot()
        self.run_ms(300)
        self.take()

    def run_ms(self, duration_ms: float) -> None:
        """Let the box work, jumping over the time in which nothing happens."""
        clock = self.clock
        end_us = clock.now_us + round(1000 * duration_ms)
        while clock.now_us < end_us:
            if not self.app.step():
                until_us = min(clock.now_us + self.app.idle_us(), clock.next_due_us, end_us)
                clock.advance_to(max(until_us, clock.now_us + 1))

    def send(self, *requests: Any) -> None:
        for request in requests:
            self.port.to_box += codec.encode(request)

    def ask(self, request: Any, wait_ms: float = 20) -> list[Any]:
        """Send one request; all records that are neither sample nor status."""
        self.send(request)
        self.run_ms(wait_ms)
        quiet = (records.LoadSample, records.AngleSample, records.Status)
        return [record for record in self.take() if not isinstance(record, quiet)]

    def take(self) -> list[Any]:
        """Read the port: every record, in order.  Damage fails the test."""
        found = []
        for event in self.take_events():
            if not isinstance(event, Message):
                raise AssertionError(f"unexpected {event}")
            found.append(event.record)
        return found

    def take_events(self) -> list[Message | CorruptFrame | Gap]:
        """Read the port."""
        data = bytes(self.port.to_host)
        self.port.to_host.clear()
        return list(self.decoder.feed(data))

    def collect(self, kind: type[Record], duration_ms: float) -> list[Record]:
        """Run, then read all records of one kind."""
        self.take()
        self.run_ms(duration_ms)
        return [record for record in self.take() if isinstance(record, kind)]

    def start(self) -> None:
        """Start the stream."""
        answers = self.ask(records.StartStream(correlation_id=1))
        if answers[-1].outcome != records.Outcome.DONE:
            raise AssertionError(f"the stream did not start: {answers}")

    def load_samples(self, duration_ms: float, channel: int = 0) -> list[records.LoadSample]:
        samples = self.collect(records.LoadSample, duration_ms)
        return [sample for sample in samples if sample.channel == channel]

    def status(self) -> records.Status:
        """The next status."""
        statuses = self.collect(records.Status, 600)
        return statuses[-1]
