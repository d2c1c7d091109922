"""Brokers and consumers of tests, all in one event loop and on real sockets."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
from collections.abc import AsyncIterator, Callable
from typing import Any, ClassVar

from host.publish.paced_boxes import PacedBoxes
from steelyard.publish import BoxSource, Broker, Servers

ANY_PORT = Servers(line_port=0, socket_port=0)
PATIENCE_SECONDS = 120.0
"""No test waits so long unless something is broken, however slow the machine."""


@contextlib.asynccontextmanager
async def broker_of(
    box: PacedBoxes, servers: Servers = ANY_PORT, **source: Any
) -> AsyncIterator[Broker]:
    port = f"socket://127.0.0.1:{box.numbers[0]}"
    async with (
        Broker(BoxSource(port, site="saltmarsh", **source), servers) as broker,
        no_consumer_left_after_a_failure(),
    ):
        yield broker


@contextlib.asynccontextmanager
async def no_consumer_left_after_a_failure() -> AsyncIterator[None]:
    """A test that fails half-way leaves no open socket to those after it."""
    try:
        yield
    except BaseException:
        for consumer in tuple(LineConsumer.open):
            await consumer.close()
        raise


@contextlib.asynccontextmanager
async def connected(
    address: tuple[str, int] | None, limit: int = 1 << 16
) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    """A bare connection, closed however the test ends."""
    assert address is not None
    reader, writer = await asyncio.open_connection(*address, limit=limit)
    try:
        yield reader, writer
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


async def until(holds: Callable[[], bool], seconds: float = PATIENCE_SECONDS) -> None:
    """Wait for something that a slow machine may take its time for."""
    async with asyncio.timeout(seconds):
        while not holds():
            await asyncio.sleep(0.01)


class LineConsumer:
    """Reads JSON lines."""

    open: ClassVar[set[LineConsumer]] = set()

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer
        self.messages: list[dict[str, Any]] = []
        self.samples_total = 0
        self.open.add(self)

    @classmethod
    async def connect(cls, broker: Broker) -> LineConsumer:
        assert broker.line_address is not None
        return cls(*await asyncio.open_connection(*broker.line_address, limit=1 << 22))

    async def until(
        self, wanted: Callable[[dict[str, Any]], bool], seconds: float = PATIENCE_SECONDS
    ) -> dict[str, Any]:
        """Read up to the first message that is wanted."""
        async with asyncio.timeout(seconds):
            while line := await self.reader.readline():
                self.messages.append(json.loads(line))
                self.samples_total += len(self.messages[-1].get("samples", ()))
                if wanted(self.messages[-1]):
                    return self.messages[-1]
        raise AssertionError("the stream ended")

    async def until_type(self, kind: str, seconds: float = PATIENCE_SECONDS) -> dict[str, Any]:
        return await self.until(lambda message: bool(message["type"] == kind), seconds)

    async def until_samples(self, count: int) -> None:
        """Read so many more samples."""
        wanted = self.samples_total + count
        await self.until(lambda _: self.samples_total >= wanted)

    async def read_on(self) -> None:
        """Read until cancelled."""
        await self.until(lambda _: False, 10 * PATIENCE_SECONDS)

    def samples(self) -> list[dict[str, Any]]:
        return samples_of(self.messages)

    async def close(self) -> None:
        self.open.discard(self)
        self.writer.close()
        with contextlib.suppress(OSError):
            await self.writer.wait_closed()


def samples_of(messages: list[dict[str, Any]]) -> list[dict[str, Any]]:
    found = [message["samples"] for message in messages if message["type"] == "samples"]
    return [sample for samples in found for sample in samples]


def missing_of(sequences: list[int]) -> int:
    return sum(later - earlier - 1 for earlier, later in itertools.pairwise(sequences))
