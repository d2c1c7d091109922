"""Many consumers in one process that note how old every sample is when it comes.

As a program: ``python listeners.py SECONDS WARM_UP KIND:NUMBER:COUNT...`` (kind ``lines``,
``json`` or ``wire``) prints what they got as one line of JSON.  Delays and the rate are of
what came after the first WARM_UP seconds; everything else is of all.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import statistics
import sys
import time
from dataclasses import dataclass, field
from typing import Any

from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.messages import TICKS_PERIOD_US
from steelyard_protocol.records import LoadSample

WARM_UP_SECONDS = 1.0
"""In it all of them connect at once, and imports are still done."""


@dataclass
class Tally:
    """What one consumer got."""

    delays_ms: list[float] = field(default_factory=list)
    samples_total: int = 0
    missing_total: int = 0
    told_missed_total: int = 0
    types: list[str] = field(default_factory=list)
    sequence: int | None = None
    unread: _Lines | None = None
    warm_up_seconds: float = WARM_UP_SECONDS
    first_seconds: float = 0.0
    last_seconds: float = 0.0

    def sample(self, sequence: int, device_us: int, at_ns: int) -> None:
        """A sample that came at this moment of the monotonic clock."""
        delay_ms = (at_ns // 1000 - device_us) % TICKS_PERIOD_US / 1000
        self.follow(sequence, at_ns / 1e9)
        if self.last_seconds - self.first_seconds > self.warm_up_seconds:
            self.delays_ms.append(delay_ms)

    def follow(self, sequence: int, at_seconds: float) -> None:
        self.last_seconds = at_seconds
        if self.sequence is None:
            self.first_seconds = self.last_seconds
        else:
            self.missing_total += sequence - self.sequence - 1
        self.sequence = sequence
        self.samples_total += 1

    @property
    def settled_rate_hz(self) -> float:
        """Samples a second after the warm-up; 0: none came."""
        seconds = self.last_seconds - self.first_seconds - self.warm_up_seconds
        return len(self.delays_ms) / seconds if seconds > 0 else 0.0

    def message(self, message: dict[str, Any], at_ns: int) -> None:
        kind = message["type"]
        if len(self.types) < 20:
            self.types.append(kind)
        if kind == "samples":
            for sample in message["samples"]:
                self.sample(sample["sequence"], sample["device_us"], at_ns)
        elif kind == "loss":
            self.told_missed_total += message["samples_missed"]


class _Lines(asyncio.Protocol):
    """Keeps what comes, with its moment, and reads it later.

    Why: fifty consumers that parse at once in one process would measure each other.
    """

    def __init__(self) -> None:
        self.pieces: list[tuple[int, bytes]] = []
        self.ended = asyncio.Event()

    def data_received(self, data: bytes) -> None:
        self.pieces.append((time.monotonic_ns(), data))

    def connection_lost(self, exc: Exception | None) -> None:
        self.ended.set()

    def count(self, tally: Tally) -> None:
        rest = b""
        for at_ns, piece in self.pieces:
            *lines, rest = (rest + piece).split(b"\n")
            for line in lines:
                tally.message(json.loads(line), at_ns)
        self.pieces.clear()


async def listen_lines(number: int, tally: Tally, end: float) -> None:
    loop = asyncio.get_running_loop()
    transport, lines = await loop.create_connection(_Lines, "127.0.0.1", number)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(max(0.0, end - time.monotonic())):
            await lines.ended.wait()
    transport.close()
    await lines.ended.wait()
    tally.unread = lines


async def listen_socket(number: int, path: str, tally: Tally, end: float) -> None:
    import websockets

    decoder = StreamDecoder()
    url = f"ws://127.0.0.1:{number}/{path}"
    async with websockets.connect(url, compression=None, max_queue=None) as socket:
        while (left := end - time.monotonic()) > 0:
            try:
                message = await asyncio.wait_for(socket.recv(), left)
            except TimeoutError:
                break
            if isinstance(message, str):
                tally.message(json.loads(message), time.monotonic_ns())
                continue
            for event in decoder.feed(message):
                if isinstance(event, Message) and isinstance(event.record, LoadSample):
                    sample = event.record
                    tally.sample(sample.sequence, sample.device_ticks_us, time.monotonic_ns())


async def listen(
    seconds: float,
    wanted: list[tuple[str, int, int]],
    warm_up_seconds: float = WARM_UP_SECONDS,
) -> list[Tally]:
    end = time.monotonic() + seconds
    jobs = []
    tallies = []
    for kind, number, count in wanted:
        for _ in range(count):
            tallies.append(Tally(warm_up_seconds=warm_up_seconds))
            if kind == "lines":
                jobs.append(listen_lines(number, tallies[-1], end))
            else:
                jobs.append(listen_socket(number, kind, tallies[-1], end))
    await asyncio.gather(*jobs)
    return tallies


def summary(tallies: list[Tally], cpu_seconds: float) -> dict[str, Any]:
    delays = sorted(delay for tally in tallies for delay in tally.delays_ms) or [math.nan]
    counts = [tally.samples_total for tally in tallies]
    return {
        "consumers": len(tallies),
        "samples_total": sum(counts),
        "fewest": min(counts),
        "most": max(counts),
        "missing_total": sum(tally.missing_total for tally in tallies),
        "told_missed_total": sum(tally.told_missed_total for tally in tallies),
        "metadata_first": all(tally.types[:1] == ["metadata"] for tally in tallies),
        "rate_hz": sum(tally.settled_rate_hz for tally in tallies),
        "median_ms": statistics.median(delays),
        "p99_ms": delays[int(0.99 * len(delays))],
        "worst_ms": delays[-1],
        "consumers_cpu_seconds": cpu_seconds,
    }


def main(words: list[str]) -> None:
    wanted = []
    for word in words[2:]:
        kind, number, count = word.split(":")
        wanted.append((kind, int(number), int(count)))
    tallies = asyncio.run(listen(float(words[0]), wanted, float(words[1])))
    cpu_seconds = time.process_time()
    for tally in tallies:
        if tally.unread is not None:
            tally.unread.count(tally)
    print(json.dumps(summary(tallies, cpu_seconds)), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
