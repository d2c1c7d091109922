"""Boxes behind a TCP connection."""

from __future__ import annotations

import socket
import time

import pytest
from host.transport.box_servers import tcp_box
from steelyard.device import Box
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceNotFoundError,
    DeviceTimeoutError,
    PortNameError,
)
from steelyard.transport import Transport, open_transport
from steelyard.transport.tcp import TcpTransport, split_address


def poll_often(box: Box) -> None:
    for _ in range(10):
        box.poll(0.5)


def write_much(port: Transport) -> None:
    for _ in range(100):
        port.write(bytes(1 << 20))


def test_a_session_over_tcp() -> None:
    with tcp_box() as served, Box.open(served.port) as box:
        assert isinstance(box.transport, Transport)
        box.start_stream()
        assert served.box.streaming
        assert box.read_clock().round_trip_us < 1_000_000


def test_the_other_end_hangs_up() -> None:
    with tcp_box() as served, Box.open(served.port) as box:
        served.hang_up()
        with pytest.raises(DeviceDisconnectedError, match=r"closed by the other end"):
            poll_often(box)


def test_nobody_listens() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number = listener.getsockname()[1]
    with pytest.raises(DeviceNotFoundError, match=f"127.0.0.1:{number}"):
        open_transport(f"socket://127.0.0.1:{number}")


def test_a_caller_that_is_never_read() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        with TcpTransport("127.0.0.1", listener.getsockname()[1]) as port:
            with pytest.raises(DeviceTimeoutError, match="did not take"):
                write_much(port)


def test_timeouts_and_closing() -> None:
    with tcp_box() as served:
        port = open_transport(served.port)
        started = time.monotonic()
        assert port.read(0.05) == b""
        assert time.monotonic() - started > 0.04
        port.close()
        port.close()
        with pytest.raises(DeviceDisconnectedError):
            port.read(0.01)
        with pytest.raises(DeviceDisconnectedError):
            port.write(b"x")


@pytest.mark.parametrize(
    ("text", "expected"),
    [("bench.local:5331", ("bench.local", 5331)), ("[::1]:80", ("::1", 80))],
)
def test_addresses(text: str, expected: tuple[str, int]) -> None:
    assert split_address(text) == expected


@pytest.mark.parametrize(
    "text",
    ["", "host", "host:", ":5", "host:0", "host:99999", "host:x", "h:1/x", "[::1:5", "a@b:1"],
)
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(PortNameError, match=r"names no TCP port.*socket://HOST:PORT"):
        split_address(text)


@pytest.mark.parametrize("text", ["", "  ", "usb://x", "http://x"])
def test_what_names_no_port(text: str) -> None:
    with pytest.raises(PortNameError, match="names no port"):
        open_transport(text)
