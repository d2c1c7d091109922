"""Recordings directed through the control door of a broker that publishes."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from host.publish.consumers import (
    ANY_PORT,
    PATIENCE_SECONDS,
    LineConsumer,
    connected,
    no_consumer_left_after_a_failure,
    until,
)
from host.publish.paced_boxes import PacedBoxes
from host.publish.test_frames_and_text import force
from host.transport.leaks import nothing_leaks
from pytest_mock import MockerFixture
from steelyard.calibration import Binding
from steelyard.errors import ControlError, PublishError
from steelyard.publish import BoxSource, Broker, control_server
from steelyard.publish.announcer import Announcer
from steelyard.publish.control_client import ControlClient
from steelyard.publish.control_requests import ControlRequests
from steelyard.publish.control_server import ControlServer
from steelyard.publish.message_schema import live_schema
from steelyard.publish.recording_desk import checked_name
from steelyard.recording import append_file
from steelyard.recording.reader import read_recording
from steelyard.recording.validator import validate
from steelyard.strength.profile_file import profile_text
from steelyard_protocol import codec
from steelyard_protocol.records import DocumentKind

__all__ = ["nothing_leaks"]

SCHEMA = jsonschema.Draft202012Validator(live_schema())
TOKEN = "a-token-for-tests-only"


class Directed:
    """A broker, its control door, and a client that knows the token."""

    def __init__(self, broker: Broker, server: ControlServer, client: ControlClient) -> None:
        self.broker, self.server, self.client = broker, server, client
        self.stopped = asyncio.Event()

    @property
    def number(self) -> int:
        assert self.server.address is not None
        return self.server.address[1]


@contextlib.asynccontextmanager
async def directed(port: str, folder: Path | None, **source: Any) -> AsyncIterator[Directed]:
    made = BoxSource(port, site="saltmarsh", **source)
    async with (
        Broker(made, ANY_PORT, recordings=folder) as broker,
        no_consumer_left_after_a_failure(),
    ):
        stopped = asyncio.Event()
        server = ControlServer(TOKEN, ControlRequests(broker, stopped.set).answer)
        await server.open(0)
        assert server.address is not None
        client = await ControlClient.connect(server.address[1], TOKEN)
        found = Directed(broker, server, client)
        found.stopped = stopped
        try:
            yield found
        finally:
            await client.close()
            await server.close()


def port_of(box: PacedBoxes) -> str:
    return f"socket://127.0.0.1:{box.numbers[0]}"


async def recording_told(consumer: LineConsumer, **wanted: Any) -> dict[str, Any]:
    return await consumer.until(
        lambda message: (
            message["type"] == "recording"
            and all(message[key] == value for key, value in wanted.items())
        )
    )


async def recorded(client: ControlClient, samples: int) -> dict[str, Any]:
    """The state of the recording once it holds so many samples."""
    async with asyncio.timeout(PATIENCE_SECONDS):
        while (state := (await client.state())["recording"])["samples_total"] < samples:
            await asyncio.sleep(0.02)
    return dict(state)


def test_a_recording_from_start_to_end(box: PacedBoxes, tmp_path: Path) -> None:
    async def run() -> None:
        async with directed(port_of(box), tmp_path, machine="Heron") as one:
            consumer = await LineConsumer.connect(one.broker)
            assert (await recording_told(consumer))["on"] is False
            await consumer.until_type("samples")
            begun = await one.client.start_recording(
                "Heron", "C-001", documents=[("note", "first visit"), ("client", "{}")]
            )
            path = Path(begun["path"])
            assert path.parent == tmp_path
            assert path.name.endswith("_Heron_C-001.steelyard")
            told = await recording_told(consumer, on=True)
            assert told["file"] == path.name
            await one.client.annotate("felt fine")
            later = await recording_told(consumer, on=True)
            assert later["seconds"] > told["seconds"]
            assert later["size_bytes"] > told["size_bytes"]
            ended = await one.client.end_recording()
            assert (ended["on"], ended["problem"]) == (False, "")
            assert (await recording_told(consumer, on=False))["file"] is None
            await consumer.until_type("samples")
            for message in consumer.messages:
                SCHEMA.validate(message)
            check_recording(path, consumer, ended)
            await consumer.close()

    asyncio.run(run())


def faults(path: Path) -> set[str]:
    """What the validator finds, but for these boxes being faster than they say."""
    return {finding.code for finding in validate(path).findings} - {"wrong_rate"}


def check_recording(path: Path, consumer: LineConsumer, ended: dict[str, Any]) -> None:
    report = validate(path)
    assert faults(path) == set()
    assert report.missing_total == 0
    recording = read_recording(path)
    assert (recording.origin.machine, recording.origin.client_code) == ("Heron", "C-001")
    assert [codec.plain_text(remark.text) for remark in recording.annotations] == ["felt fine"]
    documents = [(item.kind, item.text) for item in recording.documents]
    assert documents == [(DocumentKind.NOTE, "first visit"), (DocumentKind.CLIENT, "{}")]
    recorded = recording.loads[0].sequence.tolist()
    assert len(recorded) == ended["samples_total"] > 200
    published = [sample["sequence"] for sample in consumer.samples()]
    assert set(recorded) <= set(range(published[0], published[-1] + 1))


def test_the_client_may_die_and_another_may_come(box: PacedBoxes, tmp_path: Path) -> None:
    async def run() -> None:
        async with directed(port_of(box), tmp_path) as one:
            state = await one.client.start_recording(name="visit")
            one.client._writer.transport.abort()
            # Only the one connection of the dead client, and the broker has noticed its end.
            await until(lambda: not one.server._connections)
            other = await ControlClient.connect(one.number, TOKEN)
            try:
                later = await recorded(other, 50)
                assert later["path"] == state["path"] == str(tmp_path / "visit.steelyard")
                assert later["on"] is True
                with pytest.raises(ControlError, match="being recorded"):
                    await other.start_recording()
            finally:
                await other.close()

    asyncio.run(run())
    # The broker ended in order, and the recording with it.
    assert faults(tmp_path / "visit.steelyard") == set()
    assert validate(tmp_path / "visit.steelyard").is_closed


def test_a_full_disk_is_told_in_the_stream_and_the_stream_goes_on(
    box: PacedBoxes, tmp_path: Path, mocker: MockerFixture
) -> None:
    async def run() -> None:
        async with directed(port_of(box), tmp_path) as one:
            consumer = await LineConsumer.connect(one.broker)
            state = await one.client.start_recording()
            await recording_told(consumer, on=True)
            full = OSError(errno.ENOSPC, "No space left on device")
            mocker.patch.object(append_file.os, "write", side_effect=full)
            told = await recording_told(consumer, on=False)
            assert "Free some space" in told["problem"]
            SCHEMA.validate(told)
            await consumer.until_samples(300)
            mocker.stopall()
            # Space was made: the next one may begin at once, and the first is still sound.
            again = await one.client.start_recording()
            assert again["path"] != state["path"]
            assert again["on"] is True
            assert validate(Path(state["path"])).frames_bad_total == 0
            await consumer.close()

    asyncio.run(run())


def test_a_stream_that_fails_does_not_break_off_the_recording(
    box: PacedBoxes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(self: Announcer) -> None:
        raise ZeroDivisionError("made up")

    async def run() -> Path:
        async with directed(port_of(box), tmp_path) as one:
            consumer = await LineConsumer.connect(one.broker)
            state = await one.client.start_recording()
            await consumer.until_type("samples")
            monkeypatch.setattr(Announcer, "watch_silence", fail)
            told = await consumer.until(lambda m: m["type"] == "link" and not m["live"])
            assert "recording goes on" in told["reason"]
            so_far = (await one.client.state())["recording"]["samples_total"]
            await recorded(one.client, so_far + 300)
            await one.client.end_recording()
            with pytest.raises(PublishError, match="made up"):
                await one.broker.run(PATIENCE_SECONDS)
            await consumer.close()
            return Path(state["path"])

    path = asyncio.run(run())
    assert faults(path) == set()
    assert validate(path).missing_total == 0


def test_a_box_that_goes_away_is_in_the_recording(box: PacedBoxes, tmp_path: Path) -> None:
    async def run() -> None:
        async with directed(port_of(box), tmp_path) as one:
            consumer = await LineConsumer.connect(one.broker)
            state = await one.client.start_recording()
            await recording_told(consumer, on=True)
            box.hang_up()
            gone = await consumer.until(
                lambda m: m["type"] == "recording" and "gone" in m["problem"]
            )
            assert gone["on"] is True
            await recording_told(consumer, on=True, problem="")
            await consumer.until_samples(50)
            await one.client.end_recording()
            report = validate(Path(state["path"]))
            assert (report.links_opened_total, report.links_lost_total) == (2, 1)
            await consumer.close()

    asyncio.run(run())


def test_calibrations_are_changed_while_it_runs(tmp_path: Path) -> None:
    async def run() -> None:
        async with directed("sim:heron?task=rest", tmp_path) as one:
            consumer = await LineConsumer.connect(one.broker)
            metadata = await consumer.until_type("metadata")
            assert metadata["channels"][0]["calibration"] == {"state": "none"}
            channel = metadata["channels"][0]
            box_id, firmware = metadata["box"]["box_id"], metadata["box"]["firmware_version"]
            bound = Binding(box_id, 0, channel["sensor_serial"], channel["gain"], firmware)
            calibration = force(bound_to=bound)
            ids = await one.client.use_calibrations(texts=[calibration.to_json()])
            assert ids == [calibration.calibration_id]
            metadata = await consumer.until_type("metadata")
            assert metadata["channels"][0]["value"]["key"] == "force_newtons"
            samples = await consumer.until(
                lambda m: m["type"] == "samples" and "force_newtons" in m["samples"][0]
            )
            SCHEMA.validate(samples)
            foreign = force()
            with pytest.raises(ControlError, match="box"):
                await one.client.use_calibrations(texts=[foreign.to_json()])
            with pytest.raises(ControlError, match="could not be read"):
                await one.client.use_calibrations([tmp_path / "none.calibration.json"])
            assert (await one.client.state())["calibrations"] == ids
            await one.client.use_calibrations(texts=[calibration.to_json()], profile="heron")
            metadata = await consumer.until_type("metadata")
            assert metadata["profile"]["joint"] == "lumbar"
            assert metadata["channels"][0]["torque_value"]["key"] == "torque_newton_metres"
            state = await one.client.start_recording()
            await one.client.end_recording()
            kept = read_recording(Path(state["path"])).documents
            assert [item.text for item in kept] == [calibration.to_json(), profile_text("heron")]
            await consumer.close()

    asyncio.run(run())


def test_what_cannot_be_done_is_said(box: PacedBoxes, tmp_path: Path) -> None:
    async def run() -> None:
        async with directed(port_of(box), tmp_path) as one:
            ask = one.client.ask
            refusals = [
                (one.client.end_recording(), "Nothing is being recorded"),
                (one.client.annotate("x"), "Nothing is being recorded"),
                (ask("dance"), "no request 'dance'"),
                (ask("start_recording", machine=7), "'machine'"),
                (ask("start_recording", documents="x"), "must be a list"),
                (ask("start_recording", documents=["x"]), "object"),
                (ask("start_recording", documents=[{"kind": "poem", "text": ""}]), "'poem'"),
                (one.client.start_recording(name="../visit"), "cannot name a recording"),
                (one.client.start_recording(client="C" * 17), "client"),
                (ask("use_calibrations", texts=[1]), "texts"),
            ]
            for refused, text in refusals:
                with pytest.raises(ControlError, match=text):
                    await refused
            assert list(tmp_path.iterdir()) == []
            await one.client.start_recording(name="one")
            with pytest.raises(ControlError, match="160"):
                await one.client.annotate("x" * 161)
            await one.client.end_recording()
            with pytest.raises(ControlError, match="exists already"):
                await one.client.start_recording(name="one")
            await one.client.stop()
            assert one.stopped.is_set()

    asyncio.run(run())


def test_without_a_folder_or_a_box_nothing_is_recorded(box: PacedBoxes, tmp_path: Path) -> None:
    async def run() -> None:
        async with directed(port_of(box), None) as one:
            with pytest.raises(ControlError, match="no folder"):
                await one.client.start_recording()
        async with directed(port_of(box), tmp_path) as one:
            consumer = await LineConsumer.connect(one.broker)
            await consumer.until_type("samples")
            number = box.numbers[0]
            box.close()
            await consumer.until(lambda m: m["type"] == "link" and not m["live"])
            with pytest.raises(ControlError, match="no box to record"):
                await one.client.start_recording()
            assert number
            await consumer.close()

    asyncio.run(run())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "greeting",
    [
        b'{"token": "another-token-altogether"}\n',
        b'{"token": 7}\n',
        b"[]\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"[" * 900 + b"\n",
        b"\xff\xfe\n",
        b"x" * 2000,
        b'{"token": "\\ud800"}\n',
    ],
)
def test_without_the_token_one_is_cut_off(box: PacedBoxes, tmp_path: Path, greeting: bytes) -> None:
    async def run() -> None:
        async with directed(port_of(box), tmp_path) as one:
            async with connected(one.server.address) as (reader, writer):
                writer.write(greeting + b'{"id":1,"request":"start_recording"}\n')
                with contextlib.suppress(ConnectionError):
                    assert await asyncio.wait_for(reader.read(), PATIENCE_SECONDS) == b""
            assert (await one.client.state())["recording"]["on"] is False

    asyncio.run(run())


def test_who_says_nothing_is_cut_off_and_a_wrong_token_is_told(
    box: PacedBoxes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def run() -> None:
        async with directed(port_of(box), tmp_path) as one:
            monkeypatch.setattr(control_server, "GREETING_SECONDS", 0.2)
            async with connected(one.server.address) as (reader, _):
                with contextlib.suppress(ConnectionError):
                    assert await asyncio.wait_for(reader.read(), PATIENCE_SECONDS) == b""
            with pytest.raises(ControlError, match="does not take this token"):
                await ControlClient.connect(one.number, "x" * 20)

    asyncio.run(run())


def test_too_long_a_line_too_many_requests_and_too_many_connections(
    box: PacedBoxes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control_server, "REQUEST_BYTES", 5000)

    async def cut_off(address: tuple[str, int] | None, data: bytes) -> None:
        async with connected(address) as (reader, writer):
            writer.write(json.dumps({"token": TOKEN}).encode() + b"\n" + data)
            with contextlib.suppress(ConnectionError):
                await asyncio.wait_for(reader.read(), PATIENCE_SECONDS)

    async def run() -> None:
        async with directed(port_of(box), tmp_path) as one:
            await cut_off(one.server.address, b"x" * 6000)
            await cut_off(one.server.address, b"x" * 6000 + b"\n")
            await cut_off(one.server.address, b'{"id":1,"request":"state"}\n' * 40)
            # Those cut off are still on their way out.
            await until(lambda: len(one.server._connections) == 1)
            others = [await ControlClient.connect(one.number, TOKEN) for _ in range(7)]
            with pytest.raises(ControlError):
                await ControlClient.connect(one.number, TOKEN)
            for other in others:
                await other.close()
            assert (await one.client.state())["live"] is True

    asyncio.run(run())


def test_any_line_is_answered(box: PacedBoxes, tmp_path: Path) -> None:
    lines = [b"", b"null", b"7", b"[[[[", b'{"id":{}}', b'{"id":5,"request":"state"}', b"\xff"]

    async def run() -> None:
        async with directed(port_of(box), tmp_path) as one:
            async with connected(one.server.address) as (reader, writer):
                writer.write(json.dumps({"token": TOKEN}).encode() + b"\n")
                writer.write(b"\n".join(lines) + b"\n")
                answers = [json.loads(await reader.readline()) for _ in range(len(lines) + 1)]
            assert [answer["done"] for answer in answers] == [True, *[False] * 5, True, False]
            assert answers[6]["id"] == 5
            assert all(answer["what"] for answer in answers if not answer["done"])

    asyncio.run(run())


@pytest.mark.parametrize(
    "name", ["", ".", "..", "a/b", "a\\b", "/a", "a\x00b", "a ", "a.", ".hidden", "x" * 101, "é"]
)
def test_no_name_for_a_file(name: str) -> None:
    with pytest.raises(ControlError):
        checked_name(name)


def test_a_name_for_a_file() -> None:
    assert checked_name("visit 1") == "visit 1.steelyard"
    assert checked_name("visit.steelyard") == "visit.steelyard"


def test_a_token_that_is_too_short_is_refused() -> None:
    with pytest.raises(ControlError, match="16"):
        ControlServer("short", lambda _: asyncio.sleep(0, {}))
