"""MQTT against a real mosquitto, started here; skipped where it is not installed."""

from __future__ import annotations

import asyncio
import contextlib
import json
import queue
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from host.publish.consumers import PATIENCE_SECONDS, missing_of, samples_of
from host.publish.paced_boxes import PacedBoxes
from host.transport.leaks import nothing_leaks
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from steelyard.publish import BoxSource, Broker, Servers
from steelyard.publish.addresses import MqttAddress
from steelyard.publish.bulletin import Kind, json_bulletin
from steelyard.publish.mqtt import MqttAccount, MqttPublisher, topic

__all__ = ["nothing_leaks"]

PROGRAM = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
needs_mosquitto = pytest.mark.skipif(
    PROGRAM is None, reason="mosquitto is not installed (Debian: apt install mosquitto)"
)
# The library leaves a socket that it did not trust, or that broke off, to the collector; when
# that comes by is up to chance.  What we leave open ourselves `nothing_leaks` sees.
pytestmark = [
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]
NO_SERVERS = Servers(line_port=None, socket_port=None)
BOX = "e661000000000000"


class Mosquitto:
    """A broker on the loopback that can be stopped and started again."""

    def __init__(self, folder: Path, number: int, config: str = "allow_anonymous true\n") -> None:
        self.number = number
        self._config = folder / "mosquitto.conf"
        self._config.write_text(f"listener {number} 127.0.0.1\n{config}", encoding="ascii")
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen(
            [str(PROGRAM), "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        end = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < end:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.number)):
                return
            time.sleep(0.02)
        raise AssertionError("mosquitto did not start")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait()
            self._process = None


@pytest.fixture
def free_number() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


@pytest.fixture
def mosquitto(tmp_path: Path, free_number: int) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path, free_number)
    yield broker
    broker.stop()


class Subscriber:
    """Somebody who listens to a site, by MQTT 5."""

    def __init__(self, number: int, pattern: str = "steelyard/v1/#") -> None:
        self.arrived: queue.Queue[MQTTMessage] = queue.Queue()
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self.client.on_message = lambda client, _, message: self.arrived.put(message)
        self.client.on_connect = lambda client, *_: client.subscribe(pattern, qos=1)
        self.client.connect("127.0.0.1", number)
        self.client.loop_start()

    def until(
        self,
        wanted: Callable[[MQTTMessage, dict[str, Any]], bool],
        seconds: float = PATIENCE_SECONDS,
    ) -> tuple[MQTTMessage, dict[str, Any]]:
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            try:
                message = self.arrived.get(timeout=left)
            except queue.Empty:
                break
            content = json.loads(message.payload)
            if wanted(message, content):
                return message, content
        raise AssertionError("it did not come")

    def of_type(
        self, kind: str, seconds: float = PATIENCE_SECONDS
    ) -> tuple[MQTTMessage, dict[str, Any]]:
        return self.until(lambda _, content: bool(content["type"] == kind), seconds)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@contextlib.contextmanager
def subscriber(number: int, pattern: str = "steelyard/v1/#") -> Iterator[Subscriber]:
    made = Subscriber(number, pattern)
    try:
        yield made
    finally:
        made.close()


async def until_published(mosquitto: Mosquitto) -> None:
    """Samples go by, so whatever is to be retained is retained by now."""
    with subscriber(mosquitto.number) as early:
        await asyncio.to_thread(early.of_type, "samples")


def publishing(box: PacedBoxes, number: int, site: str = "saltmarsh", seat: int = 0) -> Broker:
    address = MqttAddress("127.0.0.1", number)
    source = BoxSource(f"socket://127.0.0.1:{box.numbers[seat]}", site=site)
    return Broker(source, NO_SERVERS, [lambda i: MqttPublisher(address, site, i.hex())])


@needs_mosquitto
def test_retained_metadata_then_live_for_a_late_joiner(
    box: PacedBoxes, mosquitto: Mosquitto
) -> None:
    async def run() -> None:
        async with publishing(box, mosquitto.number):
            await until_published(mosquitto)
            with subscriber(mosquitto.number) as late:
                seen = {}
                for _ in range(2):
                    message, content = await asyncio.to_thread(
                        late.until, lambda m, c: c["type"] in {"metadata", "link"}
                    )
                    assert message.retain
                    seen[content["type"]] = content
                    assert message.topic == f"steelyard/v1/saltmarsh/{BOX}/{content['type']}"
                assert seen["metadata"]["box"]["box_id"] == BOX
                assert seen["link"]["live"] is True
                messages = []
                while len(samples_of(messages)) < 150:
                    message, content = await asyncio.to_thread(late.of_type, "samples")
                    assert not message.retain
                    messages.append(content)
                sequences = [sample["sequence"] for sample in samples_of(messages)]
                assert missing_of(sequences) == 0
                assert message.properties is not None
                assert message.properties.ContentType == "application/json"
                assert message.properties.PayloadFormatIndicator == 1
                assert ("schema", "steelyard-live 1.1") in message.properties.UserProperty

    asyncio.run(run())


@needs_mosquitto
def test_an_orderly_end_leaves_not_live_behind(box: PacedBoxes, mosquitto: Mosquitto) -> None:
    async def run() -> None:
        async with publishing(box, mosquitto.number):
            await until_published(mosquitto)

    asyncio.run(run())
    with subscriber(mosquitto.number) as late:
        message, content = late.of_type("link")
        assert message.retain
        assert content["live"] is False
        assert content["reason"] == "the broker ends"


@needs_mosquitto
def test_the_last_will_when_the_program_dies(mosquitto: Mosquitto) -> None:
    publisher = MqttPublisher(MqttAddress("127.0.0.1", mosquitto.number), "saltmarsh", BOX)
    publisher.deliver(json_bulletin(Kind.LINK, {"live": True, "reason": "", "at_unix_us": 1}))
    with contextlib.closing(publisher), subscriber(mosquitto.number) as listening:
        assert listening.of_type("link")[1]["live"] is True
        # What a killed process looks like from the other end: no farewell.
        link = publisher._client.socket()
        assert isinstance(link, socket.socket)
        link.shutdown(socket.SHUT_RDWR)
        # A subscription made at the moment of publishing may bring the same message twice.
        will = listening.until(lambda _, c: c["type"] == "link" and not c["live"])[1]
        assert will["reason"] == "the broker is gone"
        # It was no death after all: the publisher comes back and says what is true.
        assert listening.of_type("link")[1]["live"] is True


@needs_mosquitto
def test_a_restarted_mqtt_broker_gets_the_birth_again(
    box: PacedBoxes, mosquitto: Mosquitto
) -> None:
    async def run() -> None:
        async with publishing(box, mosquitto.number):
            await until_published(mosquitto)
            await asyncio.to_thread(mosquitto.stop)
            await asyncio.sleep(0.3)
            # It keeps nothing on disk, so whatever is retained afterwards was sent again.
            await asyncio.to_thread(mosquitto.start)
            with subscriber(mosquitto.number) as listening:
                _, metadata = await asyncio.to_thread(listening.of_type, "metadata")
                assert metadata["box"]["box_id"] == BOX
                await asyncio.to_thread(listening.of_type, "samples")

    asyncio.run(run())


@needs_mosquitto
def test_several_sites_feed_one_broker(mosquitto: Mosquitto) -> None:
    boxes = PacedBoxes(2, 100, 0.01)

    async def run() -> None:
        async with (
            publishing(boxes, mosquitto.number, "saltmarsh", 0),
            publishing(boxes, mosquitto.number, "fenside", 1),
        ):
            with (
                subscriber(mosquitto.number, "steelyard/v1/+/+/samples") as all_of_them,
                subscriber(mosquitto.number, "steelyard/v1/fenside/#") as one,
            ):
                topics = set()
                while len(topics) < 2:
                    message, _ = await asyncio.to_thread(all_of_them.of_type, "samples")
                    topics.add(message.topic)
                assert topics == {
                    "steelyard/v1/saltmarsh/e661000000000000/samples",
                    "steelyard/v1/fenside/e661000000000001/samples",
                }
                message, _ = await asyncio.to_thread(one.of_type, "samples")
                assert message.topic.startswith("steelyard/v1/fenside/")

    try:
        asyncio.run(run())
    finally:
        boxes.close()


@needs_mosquitto
def test_user_and_password(tmp_path: Path, free_number: int) -> None:
    passwords = tmp_path / "passwords"
    maker = shutil.which("mosquitto_passwd")
    if maker is None:
        pytest.skip("mosquitto_passwd is not installed")
    made = [maker, "-c", "-b", str(passwords), "heron", "Stapelholm7"]
    subprocess.run(made, check=True, capture_output=True)
    passwords.chmod(0o644)
    tmp_path.chmod(0o755)
    config = f"allow_anonymous false\npassword_file {passwords}\nuser root\n"
    mosquitto = Mosquitto(tmp_path, free_number, config)
    address = MqttAddress("127.0.0.1", free_number)
    good = MqttPublisher(address, "a", BOX, MqttAccount("heron", "Stapelholm7"))
    bad = MqttPublisher(address, "b", BOX, MqttAccount("heron", "wrong"))
    try:
        end = time.monotonic() + PATIENCE_SECONDS
        while not (good.connections_total and bad.last_failure) and time.monotonic() < end:
            time.sleep(0.02)
        assert good.connections_total == 1
        assert bad.connections_total == 0
        assert "authori" in bad.last_failure.lower() or "password" in bad.last_failure.lower()
    finally:
        good.close()
        bad.close()
        mosquitto.stop()


@needs_mosquitto
@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_encrypted_and_against_a_certificate_of_ones_own(
    tmp_path: Path, free_number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    key, certificate = tmp_path / "server.key", tmp_path / "server.crt"
    words = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    names = ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
    subprocess.run(
        ["openssl", *words.split(), "-keyout", str(key), "-out", str(certificate), *names],
        check=True,
        capture_output=True,
    )
    key.chmod(0o644)
    tmp_path.chmod(0o755)
    config = f"allow_anonymous true\ncertfile {certificate}\nkeyfile {key}\nuser root\n"
    mosquitto = Mosquitto(tmp_path, free_number, config)
    address = MqttAddress("localhost", free_number, encrypted=True)
    stranger = MqttPublisher(address, "a", BOX)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    known = MqttPublisher(address, "b", BOX)
    try:
        end = time.monotonic() + PATIENCE_SECONDS
        while not known.connections_total and time.monotonic() < end:
            time.sleep(0.02)
        assert known.connections_total == 1
        assert stranger.connections_total == 0, "nobody vouches for this server"
    finally:
        known.close()
        stranger.close()
        mosquitto.stop()


def test_while_nobody_answers_the_queue_stays_bounded(free_number: int) -> None:
    publisher = MqttPublisher(MqttAddress("127.0.0.1", free_number), "saltmarsh", BOX)
    try:
        for number in range(20_000):
            publisher.deliver(json_bulletin(Kind.SAMPLES, {"samples": [number]}, 1))
        assert publisher.mailbox.held_bytes <= 256 * 1024
        assert publisher.mailbox.samples_missed_total > 10_000
    finally:
        publisher.close()


def test_the_bytes_that_go_out(free_number: int) -> None:
    """Without any broker: CONNECT with the will, by the standard's own layout."""
    received = b""
    with socket.create_server(("127.0.0.1", free_number)) as listener:
        publisher = MqttPublisher(MqttAddress("127.0.0.1", free_number), "saltmarsh", BOX)
        caller, _ = listener.accept()
        caller.settimeout(PATIENCE_SECONDS)
        while b"broker is gone" not in received:
            received += caller.recv(4096)
        caller.close()
    publisher.close()
    # OASIS MQTT 5.0: 3.1.1 packet type 1; 3.1.2.1 name; 3.1.2.2 version 5; 3.1.2.3 flags:
    # clean start, will, will QoS 1, will retain.
    assert received[0] == 0x10
    start = received.index(b"\x00\x04MQTT") + 6
    assert received[start] == 5
    assert received[start + 1] & 0b0011_1110 == 0b0010_1110
    assert topic("saltmarsh", BOX, Kind.LINK).encode() in received
