"""Consumers that send garbage, too much, or nothing at all: bounded and harmless."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import socket
import struct

import pytest
from host.publish.consumers import (
    PATIENCE_SECONDS,
    LineConsumer,
    broker_of,
    connected,
    missing_of,
    until,
)
from host.publish.paced_boxes import PacedBoxes
from host.transport.leaks import nothing_leaks
from hypothesis import given, settings
from hypothesis import strategies as st
from steelyard.publish import Broker, connection
from steelyard.publish.bulletin import Kind, json_bulletin
from steelyard.publish.connection import Connection, Doorkeeper
from steelyard.publish.hub import Hub
from steelyard.publish.line_server import LineConnection
from steelyard.publish.socket_server import SocketConnection

__all__ = ["nothing_leaks"]

CORRUPTIONS = int(os.environ.get("STEELYARD_HOSTILE_CONSUMERS", "300"))
HANDSHAKE = (
    b"GET /json HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)


def masked(opcode: int, data: bytes, size: int | None = None) -> bytes:
    """A client's frame, whose size may be a lie."""
    told = len(data) if size is None else size
    head = bytes((0x80 | opcode, 0x80 | min(told, 126 if told < 65536 else 127)))
    if told >= 65536:
        head += struct.pack(">Q", told)
    elif told >= 126:
        head += struct.pack(">H", told)
    return head + bytes(4) + data


ATTACKS = {
    "noise": os.urandom(8000),
    "endless header": b"GET /json HTTP/1.1\r\n" + b"X: y\r\n" * 2000,
    "endless line": b"G" * 15_000,
    "a box's own frames": b"\x02\x03\x01\x01\x06a!W3\x00" * 500,
    "unmasked frame": HANDSHAKE + b"\x81\x05hello",
    "huge message": HANDSHAKE + masked(1, b"x" * 100, 1 << 40),
    "message beyond the limit": HANDSHAKE + masked(1, b"x" * 5000),
    "bad text": HANDSHAKE + masked(1, b"\xff\xfe"),
    "reserved opcode": HANDSHAKE + masked(3, b""),
    "long ping": HANDSHAKE + masked(9, b"x" * 200),
    "fragments without end": HANDSHAKE + b"\x01\x80\x00\x00\x00\x00" * 2000,
    "post": b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 99999\r\n\r\n" + b"a" * 9000,
    "close twice": HANDSHAKE + masked(8, b"\x03\xe8") * 2,
    "flood": HANDSHAKE + masked(9, b"x" * 100) * 5000,
}


async def attack(address: tuple[str, int], data: bytes) -> None:
    async with connected(address) as (reader, writer):
        with contextlib.suppress(OSError, TimeoutError):
            writer.write(data)
            async with asyncio.timeout(0.3):
                await writer.drain()
                while await reader.read(4096):
                    pass


def test_others_notice_nothing(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            assert broker.line_address is not None
            assert broker.socket_address is not None
            good = await LineConsumer.connect(broker)
            reading = asyncio.ensure_future(good.read_on())
            for data in ATTACKS.values():
                await asyncio.gather(
                    attack(broker.socket_address, data), attack(broker.line_address, data)
                )
            await until(lambda: good.samples_total > 600)
            await until(lambda: len(broker.hub.consumers) == 1)
            reading.cancel()
            await asyncio.wait([reading])
            assert missing_of([sample["sequence"] for sample in good.samples()]) == 0
            await good.close()

    asyncio.run(run())


def test_who_talks_too_much_is_cut_off(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            for address in (broker.line_address, broker.socket_address):
                async with connected(address) as (_, writer):
                    with contextlib.suppress(OSError):
                        for _ in range(20):
                            writer.write(b"\x00" * 1000)
                            await writer.drain()
                    await until(lambda: not broker.hub.consumers)

    asyncio.run(run())


class FakeTransport(asyncio.Transport):
    """Takes everything, or pretends to be full."""

    def __init__(self) -> None:
        super().__init__()
        self.written = b""
        self.closed = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        assert not self.closed, "written after the end"
        self.written += data

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        self.limits = (high, low)

    def get_write_buffer_size(self) -> int:
        return 0

    def is_closing(self) -> bool:
        return self.closed

    def close(self) -> None:
        self.closed = True

    def abort(self) -> None:
        self.closed = True


@settings(max_examples=CORRUPTIONS, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.binary(max_size=300),
            st.just(HANDSHAKE),
            st.sampled_from(sorted(ATTACKS)).map(lambda name: ATTACKS[name][:2000]),
            st.builds(masked, st.integers(0, 15), st.binary(max_size=130)),
            st.just(None),
        ),
        max_size=8,
    ),
    st.booleans(),
    st.integers(0, 1 << 32),
)
def test_any_bytes_whatever(pieces: list[bytes | None], web: bool, seed: int) -> None:
    """No exception, nothing written after the end, memory bounded."""
    asyncio.run(_feed(pieces, web, random.Random(seed)))


async def _feed(pieces: list[bytes | None], web: bool, source: random.Random) -> None:
    loop = asyncio.get_running_loop()
    hub, keeper = Hub(loop), Doorkeeper()
    made: Connection = SocketConnection(hub, keeper) if web else LineConnection(hub, keeper)
    transport = FakeTransport()
    made.connection_made(transport)
    for piece in pieces:
        while piece and not transport.closed:
            cut = source.randint(1, len(piece))
            made.data_received(piece[:cut])
            piece = piece[cut:]  # noqa: PLW2901 - what is left of it
        made.deliver(json_bulletin(Kind.STATUS, {"live": True}))
        if piece is None and not transport.closed:
            made.pause_writing()
            made.deliver(json_bulletin(Kind.STATUS, {"live": True}))
            made.resume_writing()
    if not transport.closed:
        made.eof_received()
    assert len(transport.written) < 200_000
    made.connection_lost(None)
    made.deliver(json_bulletin(Kind.STATUS, {"live": True}))
    assert not hub.consumers


def test_a_crowd_at_the_door_is_turned_away(
    box: PacedBoxes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Connections that never say what they want take no place of those that do, for long."""
    monkeypatch.setattr(connection, "CONNECTION_LIMIT", 8)

    async def run() -> None:
        async with broker_of(box) as broker:
            async with contextlib.AsyncExitStack() as stack:
                crowd = [
                    await stack.enter_async_context(connected(broker.socket_address))
                    for _ in range(20)
                ]
                # Twelve are cut off; some systems say so by an end, others by a reset.
                await until(
                    lambda: sum(r.at_eof() or r.exception() is not None for r, _ in crowd) >= 12
                )

    asyncio.run(run())


def test_the_end_does_not_wait_for_the_dead(box: PacedBoxes) -> None:
    async def run() -> float:
        loop = asyncio.get_running_loop()
        async with broker_of(box) as broker:
            assert broker.line_address is not None
            with socket.create_connection(broker.line_address):
                await until(lambda: len(broker.hub.consumers) == 1)
                (dead,) = broker.hub.consumers
                assert isinstance(dead, Connection)
                # More than any buffer takes, for one that does not read.
                dead.write(bytes(20_000_000))
                begun = loop.time()
                await broker.aclose()
                return loop.time() - begun

    assert asyncio.run(run()) < PATIENCE_SECONDS


def test_half_open_connections_are_let_go(box: PacedBoxes, monkeypatch: pytest.MonkeyPatch) -> None:
    """One whose other end vanished takes nothing any more; with no data it would stay."""
    monkeypatch.setattr(connection, "DEAD_SECONDS", 0.2)

    async def run(broker: Broker) -> None:
        made = LineConnection(broker.hub, Doorkeeper())
        transport = FakeTransport()
        made.connection_made(transport)
        made.pause_writing()
        await until(lambda: transport.closed)
        made.connection_lost(None)
        assert made not in broker.hub.consumers

    async def whole() -> None:
        async with broker_of(box) as broker:
            await run(broker)

    asyncio.run(whole())
