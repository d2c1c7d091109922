"""A box behind a TCP connection: ``socket://host:port``."""

from __future__ import annotations

import selectors
import socket
from contextlib import suppress
from typing import Final
from urllib.parse import urlsplit

from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceNotFoundError,
    DeviceTimeoutError,
    PortNameError,
)
from steelyard.transport.port import ClosesItself, WallClock

CONNECT_TIMEOUT_SECONDS: Final = 5.0
WRITE_TIMEOUT_SECONDS: Final = 1.0
_CHUNK_BYTES: Final = 65_536


def split_address(address: str) -> tuple[str, int]:
    """Split ``host:port`` (or ``[IPv6]:port``).

    Raises:
        PortNameError: no host, no port number, or anything after them.
    """
    try:
        parts = urlsplit(f"//{address}")
        host, number = parts.hostname, parts.port
    except ValueError:
        host = number = None
        parts = None
    if parts is None or not host or not number or parts.path or parts.query or parts.username:
        raise PortNameError(
            f"'socket://{address}' names no TCP port.",
            "Write socket://HOST:PORT, for instance socket://192.168.1.20:5331.",
        )
    return host, number


class TcpTransport(ClosesItself):
    """A TCP connection.

    Raises on opening: DeviceNotFoundError when nobody answers there.
    """

    def __init__(self, host: str, number: int) -> None:
        self.description = f"socket://{host}:{number}"
        self.clock = WallClock()
        try:
            self._socket = socket.create_connection((host, number), CONNECT_TIMEOUT_SECONDS)
        except OSError as error:
            raise DeviceNotFoundError(
                f"Nothing answers at {self.description} ({error}).",
                "Check the address, and that the other end is running.",
            ) from error
        # Requests are a few bytes each and clock alignment needs them sent at once.
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._socket.settimeout(WRITE_TIMEOUT_SECONDS)
        # Not the socket's own timeout: a thread may wait here while another one writes.
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._socket, selectors.EVENT_READ)

    def read(self, timeout_seconds: float) -> bytes:
        """Return what has come, waiting for the first bytes at most so long."""
        try:
            if not self._selector.select(max(0.0, timeout_seconds)):
                return b""
            data = self._socket.recv(_CHUNK_BYTES)
        except (OSError, RuntimeError, ValueError, KeyError) as error:
            # The last three: the selector was closed here by another thread.
            raise self._gone(str(error)) from error
        if not data:
            raise self._gone("closed by the other end")
        return data

    def write(self, data: bytes) -> None:
        """Send all of ``data``; the other end has a second to take it."""
        try:
            self._socket.sendall(data)
        except TimeoutError as error:
            raise DeviceTimeoutError(
                f"{self.description} did not take {len(data)} bytes within"
                f" {WRITE_TIMEOUT_SECONDS:g} s.",
                "The other end does not read; restart it.",
            ) from error
        except OSError as error:
            raise self._gone(str(error)) from error

    def close(self) -> None:
        """End the connection."""
        with suppress(OSError):
            self._selector.close()
            self._socket.close()

    def _gone(self, reason: str) -> DeviceDisconnectedError:
        return DeviceDisconnectedError(
            f"The connection to {self.description} is gone ({reason}).",
            "Check the network and the other end, then connect again.",
        )
