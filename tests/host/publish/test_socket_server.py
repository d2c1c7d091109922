"""WebSocket consumers, by a well-kept client and by hand."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from typing import Any

import pytest
import websockets
from host.publish.consumers import (
    PATIENCE_SECONDS,
    broker_of,
    connected,
    missing_of,
    samples_of,
    until,
)
from host.publish.paced_boxes import PacedBoxes
from host.transport.leaks import nothing_leaks
from steelyard.publish import Broker, Servers, socket_server
from steelyard.publish.bulletin import Kind
from steelyard.publish.mailbox import Mailbox
from steelyard.publish.socket_server import SocketConnection
from steelyard_protocol.codec import encode
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.records import LoadSample

__all__ = ["nothing_leaks"]


def url(broker: Broker, path: str) -> str:
    assert broker.socket_address is not None
    return f"ws://127.0.0.1:{broker.socket_address[1]}{path}"


def test_json_as_text_messages(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker, websockets.connect(url(broker, "/json")) as client:
            messages: list[dict[str, Any]] = []
            while len(samples_of(messages)) < 150:
                data = await client.recv()
                assert isinstance(data, str)
                messages.append(json.loads(data))
            assert messages[0]["type"] == "metadata"
            sequences = [sample["sequence"] for sample in samples_of(messages)]
            assert missing_of(sequences) == 0

    asyncio.run(run())


def test_frames_exactly_as_on_the_wire(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker, websockets.connect(url(broker, "/wire")) as client:
            texts: list[dict[str, Any]] = []
            wire = b""
            while len(wire) < 32 * 150:
                data = await client.recv()
                if isinstance(data, str):
                    assert not wire or json.loads(data)["type"] in {"status", "link", "recording"}
                    texts.append(json.loads(data))
                else:
                    # Whole frames in every message, however the port cut them.
                    assert data.endswith(b"\x00")
                    wire += data
            assert texts[0]["type"] == "metadata"
            assert {text["type"] for text in texts} <= {"metadata", "link", "status", "recording"}
            events = StreamDecoder().feed(wire)
            assert all(isinstance(event, Message) for event in events)
            samples = [
                event.record
                for event in events
                if isinstance(event, Message) and isinstance(event.record, LoadSample)
            ]
            assert len(samples) > 100
            for sample in samples:
                assert encode(sample) in wire

    asyncio.run(run())


@pytest.mark.parametrize("path", ["/", "/other", "/json/deeper"])
def test_other_paths_are_not_found(box: PacedBoxes, path: str) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            with pytest.raises(websockets.InvalidStatus, match="404"):
                await websockets.connect(url(broker, path))

    asyncio.run(run())


@pytest.mark.parametrize(
    ("origin", "welcome"),
    [
        (None, True),
        ("http://localhost:8080", True),
        ("http://127.0.0.1", True),
        ("https://view.saltmarsh.example", True),
        ("https://elsewhere.example", False),
        ("http://localhost.elsewhere.example", False),
        ("http://localhost:80.elsewhere.example", False),
        ("null", False),
    ],
)
def test_pages_from_elsewhere_get_nothing(
    box: PacedBoxes, origin: str | None, welcome: bool
) -> None:
    servers = Servers(line_port=0, socket_port=0, origins=("https://view.saltmarsh.example",))

    async def run() -> None:
        async with broker_of(box, servers) as broker:
            headers = None if origin is None else {"Origin": origin}
            attempt = websockets.connect(url(broker, "/json"), additional_headers=headers)
            if welcome:
                async with attempt as client:
                    assert json.loads(await client.recv())["type"] == "metadata"
            else:
                with pytest.raises(websockets.InvalidStatus, match="403"):
                    await attempt
                assert not broker.hub.consumers

    asyncio.run(run())


def test_pings_are_answered_and_closing_is_clean(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            async with websockets.connect(url(broker, "/json")) as client:
                await client.recv()
                await asyncio.wait_for(await client.ping(), PATIENCE_SECONDS)
                assert len(broker.hub.consumers) == 1
            assert client.close_code == 1000
            await until(lambda: not broker.hub.consumers)

    asyncio.run(run())


def test_the_end_of_the_broker_is_a_closing_frame(box: PacedBoxes) -> None:
    async def run() -> None:
        async with contextlib.AsyncExitStack() as later:
            async with broker_of(box) as broker:
                client = await later.enter_async_context(websockets.connect(url(broker, "/json")))
                reading = asyncio.ensure_future(_read_all(client))
                await asyncio.sleep(0.2)
            messages = await reading
            assert messages[-1]["reason"] == "the broker ends"
            assert client.close_code == 1001

    asyncio.run(run())


async def _read_all(client: websockets.ClientConnection) -> list[dict[str, Any]]:
    messages = []
    with contextlib.suppress(websockets.ConnectionClosed):
        async for data in client:
            messages.append(json.loads(data))
    return messages


@pytest.mark.parametrize(("path", "kind"), [("/json", Kind.SAMPLES), ("/wire", Kind.WIRE)])
def test_a_slow_client_is_told_what_it_missed(path: str, kind: Kind) -> None:
    boxes = PacedBoxes(1, 4000, 0.005)

    async def run() -> None:
        async with broker_of(boxes) as broker:
            small = socket.socket()
            small.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            assert broker.socket_address is not None
            small.connect(broker.socket_address)
            client = await websockets.connect(url(broker, path), sock=small, max_queue=1)
            (consumer,) = broker.hub.consumers
            assert isinstance(consumer, SocketConnection)
            consumer.mailbox = Mailbox(limit_bytes=8_000, counted=kind)
            await until(lambda: consumer.mailbox.samples_missed_total > 1000)
            sequences: list[int] = []
            decoder = StreamDecoder()
            told = after = 0
            async with asyncio.timeout(PATIENCE_SECONDS):
                while not after:
                    data = await client.recv()
                    before = len(sequences)
                    if isinstance(data, bytes):
                        events = [e for e in decoder.feed(data) if isinstance(e, Message)]
                        samples = [e.record for e in events if isinstance(e.record, LoadSample)]
                        sequences += [sample.sequence for sample in samples]
                    elif json.loads(data)["type"] == "loss":
                        assert not told
                        told = json.loads(data)["samples_missed"]
                    else:
                        sequences += [s["sequence"] for s in samples_of([json.loads(data)])]
                    after = int(told > 0 and len(sequences) > before)
            assert missing_of(sequences) == told > 0
            client.transport.abort()

    try:
        asyncio.run(run())
    finally:
        boxes.close()


def test_nobody_waits_for_a_handshake_forever(
    box: PacedBoxes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(socket_server, "HANDSHAKE_SECONDS", 0.3)

    async def run() -> None:
        async with broker_of(box) as broker:
            async with connected(broker.socket_address) as (reader, writer):
                writer.write(b"GET /json HTTP/1.1\r\nHost: localhost\r\n")
                async with asyncio.timeout(PATIENCE_SECONDS):
                    assert await reader.read() == b""

    asyncio.run(run())


def test_a_missing_library_is_named(box: PacedBoxes, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.delitem(sys.modules, "steelyard.publish.socket_server")
    monkeypatch.setitem(sys.modules, "websockets.server", None)

    async def run() -> None:
        async with broker_of(box):
            raise AssertionError("opened")

    with pytest.raises(Exception, match="websockets is not installed"):
        asyncio.run(run())
