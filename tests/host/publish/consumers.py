"""Brokers and consumers of tests, all in one event loop and on real sockets."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import time
from collections.abc import AsyncIterator, Callable
from typing import Any

from host.publish.paced_boxes import PacedBoxes
from steelyard.publish import BoxSource, Broker, Servers

ANY_PORT = Servers(line_port=0, socket_port=0)


@contextlib.asynccontextmanager
async def broker_of(
    box: PacedBoxes, servers: Servers = ANY_PORT, **source: Any
) -> AsyncIterator[Broker]:
    port = f"socket://127.0.0.1:{box.numbers[0]}"
    async with Broker(BoxSource(port, site="saltmarsh", **source), servers) as broker:
        yield broker


class LineConsumer:
    """Reads JSON lines."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer
        self.messages: list[dict[str, Any]] = []

    @classmethod
    async def connect(cls, broker: Broker) -> LineConsumer:
        assert broker.line_address is not None
        return cls(*await asyncio.open_connection(*broker.line_address, limit=1 << 22))

    async def until(
        self, wanted: Callable[[dict[str, Any]], bool], seconds: float = 10.0
    ) -> dict[str, Any]:
        """Read up to the first message that is wanted."""
        async with asyncio.timeout(seconds):
            while line := await self.reader.readline():
                self.messages.append(json.loads(line))
                if wanted(self.messages[-1]):
                    return self.messages[-1]
        raise AssertionError("the stream ended")

    async def until_type(self, kind: str, seconds: float = 10.0) -> dict[str, Any]:
        return await self.until(lambda message: bool(message["type"] == kind), seconds)

    async def read_for(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        with contextlib.suppress(TimeoutError):
            await self.until(lambda _: time.monotonic() >= end, seconds + 0.5)

    def samples(self) -> list[dict[str, Any]]:
        return samples_of(self.messages)

    async def close(self) -> None:
        self.writer.close()
        with contextlib.suppress(OSError):
            await self.writer.wait_closed()


def samples_of(messages: list[dict[str, Any]]) -> list[dict[str, Any]]:
    found = [message["samples"] for message in messages if message["type"] == "samples"]
    return [sample for samples in found for sample in samples]


def missing_of(sequences: list[int]) -> int:
    return sum(later - earlier - 1 for earlier, later in itertools.pairwise(sequences))
