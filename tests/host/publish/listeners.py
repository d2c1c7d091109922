"""Many consumers in one process that note how old every sample is when it comes.

As a program: ``python listeners.py SECONDS KIND:NUMBER:COUNT...`` (kind ``lines``,
``json`` or ``wire``) prints what they got as one line of JSON.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import sys
import time
from dataclasses import dataclass, field
from typing import Any

from host.publish.paced_boxes import ticks_now_us
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.messages import TICKS_PERIOD_US
from steelyard_protocol.records import LoadSample

WARM_UP_SECONDS = 1.0


@dataclass
class Tally:
    """What one consumer got."""

    delays_ms: list[float] = field(default_factory=list)
    samples_total: int = 0
    missing_total: int = 0
    told_missed_total: int = 0
    types: list[str] = field(default_factory=list)
    sequence: int | None = None
    first_seconds: float = 0.0
    last_seconds: float = 0.0

    def sample(self, sequence: int, device_us: int) -> None:
        delay_ms = (ticks_now_us() - device_us) % TICKS_PERIOD_US / 1000
        self.follow(sequence)
        # Not the second in which all of them connect at once and imports are still done.
        if self.last_seconds - self.first_seconds > WARM_UP_SECONDS:
            self.delays_ms.append(delay_ms)

    def follow(self, sequence: int) -> None:
        self.last_seconds = time.monotonic()
        if self.sequence is None:
            self.first_seconds = self.last_seconds
        else:
            self.missing_total += sequence - self.sequence - 1
        self.sequence = sequence
        self.samples_total += 1

    def message(self, message: dict[str, Any]) -> None:
        kind = message["type"]
        if len(self.types) < 20:
            self.types.append(kind)
        if kind == "samples":
            for sample in message["samples"]:
                self.sample(sample["sequence"], sample["device_us"])
        elif kind == "loss":
            self.told_missed_total += message["samples_missed"]


async def listen_lines(number: int, tally: Tally, end: float) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", number, limit=1 << 20)
    while (left := end - time.monotonic()) > 0:
        try:
            line = await asyncio.wait_for(reader.readline(), left)
        except TimeoutError:
            break
        if not line:
            break
        tally.message(json.loads(line))
    writer.close()
    await writer.wait_closed()


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
                tally.message(json.loads(message))
                continue
            for event in decoder.feed(message):
                if isinstance(event, Message) and isinstance(event.record, LoadSample):
                    tally.sample(event.record.sequence, event.record.device_ticks_us)


async def listen(seconds: float, wanted: list[tuple[str, int, int]]) -> list[Tally]:
    end = time.monotonic() + seconds
    jobs = []
    tallies = []
    for kind, number, count in wanted:
        for _ in range(count):
            tallies.append(Tally())
            if kind == "lines":
                jobs.append(listen_lines(number, tallies[-1], end))
            else:
                jobs.append(listen_socket(number, kind, tallies[-1], end))
    await asyncio.gather(*jobs)
    return tallies


def summary(tallies: list[Tally]) -> dict[str, Any]:
    delays = sorted(delay for tally in tallies for delay in tally.delays_ms)
    counts = [tally.samples_total for tally in tallies]
    return {
        "consumers": len(tallies),
        "samples_total": sum(counts),
        "fewest": min(counts),
        "most": max(counts),
        "missing_total": sum(tally.missing_total for tally in tallies),
        "told_missed_total": sum(tally.told_missed_total for tally in tallies),
        "metadata_first": all(tally.types[:1] == ["metadata"] for tally in tallies),
        "listened_seconds": statistics.median(
            tally.last_seconds - tally.first_seconds for tally in tallies
        ),
        "median_ms": statistics.median(delays),
        "p99_ms": delays[int(0.99 * len(delays))],
        "worst_ms": delays[-1],
        "consumers_cpu_seconds": time.process_time(),
    }


def main(words: list[str]) -> None:
    wanted = []
    for word in words[1:]:
        kind, number, count = word.split(":")
        wanted.append((kind, int(number), int(count)))
    tallies = asyncio.run(listen(float(words[0]), wanted))
    print(json.dumps(summary(tallies)), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
