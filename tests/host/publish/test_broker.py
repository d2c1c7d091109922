"""The broker on real sockets: who gets what, and what happens when things go wrong."""

from __future__ import annotations

import asyncio
import gc
import socket
import time
import tracemalloc
from typing import Any

import jsonschema
import pytest
from host.publish.consumers import (
    ANY_PORT,
    PATIENCE_SECONDS,
    LineConsumer,
    broker_of,
    missing_of,
    until,
)
from host.publish.paced_boxes import PacedBoxes
from host.transport.leaks import nothing_leaks
from steelyard.errors import DeviceNotFoundError
from steelyard.publish import AddressError, BoxSource, Broker, Servers, connection, hub
from steelyard.publish.announcer import Announcer
from steelyard.publish.connection import Connection
from steelyard.publish.message_schema import live_schema

__all__ = ["nothing_leaks"]

SCHEMA = jsonschema.Draft202012Validator(live_schema())


def test_metadata_come_first_and_late_joiners_get_them_too(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box, machine="Heron") as broker:
            early = await LineConsumer.connect(broker)
            await early.until_type("status")
            await early.until_type("samples")
            late = await LineConsumer.connect(broker)
            await late.until_type("samples")
            assert [message["type"] for message in late.messages[:2]] == ["metadata", "link"]
            assert late.messages[0] == early.messages[0]
            assert late.messages[0]["machine"] == "Heron"
            assert late.messages[1]["live"] is True
            for message in early.messages:
                SCHEMA.validate(message)
            await early.close()
            await late.close()

    asyncio.run(run())


def test_samples_come_complete_and_in_order(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            begun = time.time()
            consumer = await LineConsumer.connect(broker)
            await consumer.until_samples(300)
            samples = consumer.samples()
            assert missing_of([sample["sequence"] for sample in samples]) == 0
            assert all(1000 <= sample["counts"] <= 6000 for sample in samples)
            # Written a moment ago, however long that moment is on a busy machine.
            assert begun - 1.0 < samples[-1]["unix_us"] / 1e6 < time.time() + 1.0
            status = await consumer.until_type("status")
            assert status["samples_missing_total"] == 0
            assert status["clock"]["aligned"] is True
            await consumer.close()

    asyncio.run(run())


def test_rates_are_measured(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            consumer = await LineConsumer.connect(broker)
            # A busy machine sends unevenly now and then, but not second after second.
            await consumer.until(
                lambda message: (
                    message["type"] == "status"
                    and message["measured_rate_hz"].get("0") == pytest.approx(300, rel=0.1)
                )
            )
            await consumer.close()

    asyncio.run(run())


def silent_socket(number: int) -> socket.socket:
    made = socket.socket()
    made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    made.connect(("127.0.0.1", number))
    return made


def test_a_slow_and_a_dead_consumer_cost_the_others_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(connection, "DEAD_SECONDS", 2.0)
    boxes = PacedBoxes(1, 1500, 0.005)

    async def run() -> None:
        async with broker_of(boxes) as broker:
            assert broker.line_address is not None
            good = [await LineConsumer.connect(broker) for _ in range(5)]
            reading = [asyncio.ensure_future(one.read_on()) for one in good]
            with silent_socket(broker.line_address[1]) as dead:
                slow = silent_socket(broker.line_address[1])
                slow.setblocking(False)
                drowsy = LineConsumer(*await asyncio.open_connection(sock=slow, limit=1 << 15))
                await until(lambda: len(broker.hub.consumers) == 7)
                behind = seat_of(broker, slow)
                while not behind.mailbox.samples_missed_total:
                    await drowsy.until(lambda _: True)
                    await asyncio.sleep(0.1)
                await told_exactly_what_it_missed(drowsy)
                # The dead one has been let go.
                await until(lambda: seat_of(broker, dead) is None)
                for task in reading:
                    task.cancel()
                await asyncio.wait(reading)
                for one in good:
                    assert missing_of([sample["sequence"] for sample in one.samples()]) == 0
                    assert not [m for m in one.messages if m["type"] == "loss"]
                    assert one.samples_total > drowsy.samples_total
            for one in (*good, drowsy):
                await one.close()

    try:
        asyncio.run(run())
    finally:
        boxes.close()


def seat_of(broker: Broker, consumer: socket.socket) -> Any:
    """The broker's side of one connection; None once it has been ended."""
    name = consumer.getsockname()
    for seat in broker.hub.consumers:
        assert isinstance(seat, Connection)
        if seat._transport is not None and seat._transport.get_extra_info("peername") == name:
            return seat
    return None


async def told_exactly_what_it_missed(consumer: LineConsumer) -> None:
    loss = await consumer.until_type("loss")
    assert loss["where"] == "consumer"
    assert loss["samples_missed"] > 0
    before = consumer.samples()[-1]["sequence"]
    after = (await consumer.until_type("samples"))["samples"][0]["sequence"]
    assert after - before - 1 == loss["samples_missed"]


def traced_bytes() -> int:
    gc.collect()
    return tracemalloc.get_traced_memory()[0]


def test_memory_stays_flat_beside_a_dead_consumer() -> None:
    boxes = PacedBoxes(1, 1000, 0.005)

    async def until_it_missed(consumer: Connection, samples: int) -> None:
        wanted = consumer.mailbox.samples_missed_total + samples
        await until(lambda: consumer.mailbox.samples_missed_total >= wanted)

    async def run() -> None:
        async with broker_of(boxes) as broker:
            assert broker.line_address is not None
            with silent_socket(broker.line_address[1]):
                tracemalloc.start()
                await until(lambda: len(broker.hub.consumers) == 1)
                (consumer,) = broker.hub.consumers
                assert isinstance(consumer, Connection)
                await until_it_missed(consumer, 1000)
                # The queue is full by now, and everything in it is traced.
                before = traced_bytes()
                await until_it_missed(consumer, 2000)
                grown = traced_bytes() - before
            assert grown < 300_000
            assert 100_000 < consumer.mailbox.held_bytes <= 256 * 1024

    try:
        asyncio.run(run())
    finally:
        tracemalloc.stop()
        boxes.close()


def test_a_lost_box_is_told_and_comes_back(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            consumer = await LineConsumer.connect(broker)
            await consumer.until(lambda message: message.get("live") is True)
            await consumer.until_type("samples")
            box.hang_up()
            gone = await consumer.until(lambda message: message["type"] == "link")
            assert gone["live"] is False
            assert "gone" in gone["reason"]
            await consumer.until_type("metadata")
            back = await consumer.until(lambda message: message["type"] == "link")
            assert back["live"] is True
            await consumer.until_type("samples")
            await consumer.close()

    asyncio.run(run())


def test_a_silent_box_is_not_live(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            consumer = await LineConsumer.connect(broker)
            await consumer.until_type("samples")
            box.quiet = True
            gone = await consumer.until(
                lambda message: message["type"] == "link" and not message["live"]
            )
            assert gone["reason"] == "no samples come from the box"
            late = await LineConsumer.connect(broker)
            assert (await late.until_type("link"))["live"] is False
            # Status goes on, so that a consumer can tell a dead connection from a dead box.
            assert (await consumer.until_type("status"))["live"] is False
            box.quiet = False
            assert (await consumer.until_type("link"))["live"] is True
            await consumer.close()
            await late.close()

    asyncio.run(run())


def test_a_box_that_starts_anew_is_described_anew(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            consumer = await LineConsumer.connect(broker)
            first = await consumer.until_type("metadata")
            await consumer.until_type("samples")
            box.reboot(2222)
            await consumer.until_type("link")
            second = await consumer.until_type("metadata")
            assert (first["boot_id"], second["boot_id"]) == (1111, 2222)
            samples = await consumer.until_type("samples")
            assert samples["boot_id"] == 2222
            await consumer.close()

    asyncio.run(run())


def test_samples_lost_before_the_broker_are_told(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            consumer = await LineConsumer.connect(broker)
            await consumer.until_type("samples")
            box.skip(17)
            gap = await consumer.until_type("gap")
            assert gap["missing"] == 17
            last = consumer.samples()[-1]["sequence"]
            after = (await consumer.until_type("samples"))["samples"]
            sequences = [last, *(sample["sequence"] for sample in after)]
            assert missing_of(sequences) == 17
            status = await consumer.until(
                lambda m: m["type"] == "status" and m["samples_missing_total"] > 0
            )
            assert status["samples_missing_total"] == 17
            await consumer.close()

    asyncio.run(run())


def stand_still_until_sent(boxes: PacedBoxes, samples: int) -> None:
    """Nothing else happens in this event loop meanwhile."""
    wanted = boxes.samples_sent_total + samples
    end = time.monotonic() + PATIENCE_SECONDS
    while boxes.samples_sent_total < wanted:
        assert time.monotonic() < end
        time.sleep(0.01)


def test_the_box_is_not_held_up_when_the_broker_itself_stalls() -> None:
    """The box is listened to all the while; whoever then cannot take it all is told."""
    boxes = PacedBoxes(1, 4000, 0.01)

    async def run() -> None:
        async with broker_of(boxes) as broker:
            consumer = await LineConsumer.connect(broker)
            await consumer.until_type("samples")
            stand_still_until_sent(boxes, 8000)
            assert boxes.overflows_total == 0
            sent = boxes.samples_sent_total
            await consumer.until(
                lambda m: m["type"] == "samples" and m["samples"][-1]["sequence"] > sent
            )
            missing = missing_of([sample["sequence"] for sample in consumer.samples()])
            told = [m for m in consumer.messages if m["type"] == "loss"]
            assert missing == sum(message["samples_missed"] for message in told)
            # The broker kept it all; how much of that this consumer takes is up to its machine.
            assert broker.hub.samples_missed_total == 0
            assert {message["where"] for message in told} <= {"consumer"}
            await consumer.close()

    try:
        asyncio.run(run())
        assert boxes.overflows_total == 0
    finally:
        boxes.close()


def test_what_the_broker_itself_loses_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hub, "INBOX_LIMIT_BYTES", 20_000)
    boxes = PacedBoxes(1, 2000, 0.01)

    async def run() -> None:
        async with broker_of(boxes) as broker:
            consumer = await LineConsumer.connect(broker)
            await consumer.until_type("samples")
            stand_still_until_sent(boxes, 2000)
            loss = await consumer.until_type("loss")
            assert loss["where"] == "broker"
            before = consumer.samples()[-1]["sequence"]
            after = (await consumer.until_type("samples"))["samples"][0]["sequence"]
            assert after - before - 1 == loss["samples_missed"] > 0
            assert loss["samples_missed"] <= broker.hub.samples_missed_total
            await consumer.close()

    try:
        asyncio.run(run())
    finally:
        boxes.close()


def test_too_many_consumers_are_told_so(box: PacedBoxes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hub, "CONSUMER_LIMIT", 2)

    async def run() -> None:
        async with broker_of(box) as broker:
            taken = [await LineConsumer.connect(broker) for _ in range(2)]
            for one in taken:
                await one.until_type("metadata")
            refused = await LineConsumer.connect(broker)
            message = await refused.until_type("link")
            assert message == {
                "type": "link",
                "live": False,
                "reason": "too many consumers are connected",
            }
            assert await refused.reader.read() == b""
            assert broker.hub.consumers_refused_total == 1
            for one in (*taken, refused):
                await one.close()

    asyncio.run(run())


def test_the_end_is_told(box: PacedBoxes) -> None:
    async def run() -> None:
        async with broker_of(box) as broker:
            consumer = await LineConsumer.connect(broker)
            await consumer.until_type("samples")
        last = await consumer.until(lambda m: m["type"] == "link" and not m["live"])
        assert last["reason"] == "the broker ends"
        assert await consumer.reader.read() == b""
        await consumer.close()

    asyncio.run(run())


def test_a_wrong_port_is_an_error_at_once() -> None:
    async def run() -> None:
        async with Broker(BoxSource("socket://127.0.0.1:9"), ANY_PORT):
            raise AssertionError("opened")

    with pytest.raises(DeviceNotFoundError):
        asyncio.run(run())


def test_a_port_in_use_is_an_error_and_the_box_is_given_back(box: PacedBoxes) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = taken.getsockname()[1]

        async def run() -> None:
            async with broker_of(box, Servers(line_port=number, socket_port=None)):
                raise AssertionError("opened")

        with pytest.raises(AddressError, match=str(number)):
            asyncio.run(run())


def test_a_failure_of_the_listener_ends_the_broker(
    box: PacedBoxes, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(self: Announcer) -> None:
        raise ZeroDivisionError("made up")

    async def run() -> None:
        async with broker_of(box) as broker:
            consumer = await LineConsumer.connect(broker)
            await consumer.until_type("samples")
            monkeypatch.setattr(Announcer, "watch_silence", fail)
            try:
                await broker.run(5.0)
            finally:
                await consumer.close()

    with pytest.raises(Exception, match="made up"):
        asyncio.run(run())


def test_the_virtual_box_is_published_as_any_other() -> None:
    async def run() -> None:
        async with Broker(BoxSource("sim:heron?task=rest"), ANY_PORT) as broker:
            consumer = await LineConsumer.connect(broker)
            while {sample["channel"] for sample in consumer.samples()} != {0, 1, 2, 3}:
                await consumer.until_samples(50)
            for message in consumer.messages:
                SCHEMA.validate(message)
            await consumer.close()

    asyncio.run(run())
