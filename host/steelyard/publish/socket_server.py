"""WebSocket (RFC 6455): JSON messages at ``/json``, the box's own frames at ``/wire``.

The library's part is the protocol without input or output: handshake, pings,
closing, and refusing what breaks the rules.  Messages are sent by us, because
one encoded frame serves every consumer.  Nothing is compressed.

At ``/wire`` binary messages hold whole frames exactly as the box sent them;
metadata, link state, losses and status come as JSON text messages between
them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from http import HTTPStatus
from typing import Final

from websockets.exceptions import InvalidState
from websockets.frames import CloseCode
from websockets.http11 import Request
from websockets.protocol import State
from websockets.server import ServerProtocol
from websockets.typing import Origin

from steelyard.publish.bulletin import Bulletin, Kind
from steelyard.publish.connection import Connection, Doorkeeper
from steelyard.publish.hub import Hub
from steelyard.publish.mailbox import Mailbox

MESSAGE_LIMIT_BYTES: Final = 4096
HANDSHAKE_SECONDS: Final = 5.0
PATHS: Final = ("/json", "/wire")
LOCAL_PAGE: Final = re.compile(r"https?://(localhost|127\.0\.0\.1|\[::1\])(:\d{1,5})?")
"""Web pages that this machine itself serves.

Why origins are checked even on the loopback: a browser lets any page on the
internet open a WebSocket to localhost, and would hand it the measurements.
"""


class SocketConnection(Connection):
    """A consumer by WebSocket."""

    def __init__(self, hub: Hub, doorkeeper: Doorkeeper, origins: Sequence[str] = ()) -> None:
        """``origins``: web pages that may listen, besides those of this machine."""
        super().__init__(hub, doorkeeper)
        allowed = [None, LOCAL_PAGE, *(Origin(origin) for origin in origins)]
        self._protocol = ServerProtocol(origins=allowed, max_size=MESSAGE_LIMIT_BYTES)
        self._wire = False
        self._joined = False
        self._patience = self.loop.call_later(HANDSHAKE_SECONDS, self._give_up)

    def wanted(self, bulletin: Bulletin) -> bool:
        """By path: JSON, or frames with what explains them."""
        if self._protocol.state is not State.OPEN:
            return False
        if self._wire:
            return bulletin.kind not in {Kind.SAMPLES, Kind.EVENT, Kind.GAP}
        return bulletin.kind is not Kind.WIRE

    def encoded(self, bulletin: Bulletin) -> bytes:
        """One WebSocket frame."""
        return bulletin.socket_frame

    def heard(self, data: bytes) -> None:
        """Handshake, pings and closing; anything else is thrown away."""
        self._protocol.receive_data(data)
        self._answer()

    def eof_received(self) -> None:
        """The consumer has ended."""
        self._protocol.receive_eof()
        self._answer()

    def farewell(self) -> bytes:
        """A closing frame: the broker goes away."""
        if self._protocol.state is not State.OPEN:
            return b""
        try:
            self._protocol.send_close(CloseCode.GOING_AWAY, "the broker ends")
        except InvalidState:
            return b""
        return b"".join(self._protocol.data_to_send())

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget everything about it."""
        self._patience.cancel()
        super().connection_lost(exc)

    def _answer(self) -> None:
        for event in self._protocol.events_received():
            # A request followed by what breaks the rules has already been ended.
            if isinstance(event, Request) and not self._joined and not self._protocol.eof_sent:
                self._greet(event)
        self.write(b"".join(part for part in self._protocol.data_to_send() if part))
        waits = self._joined and self not in self.hub.consumers
        if waits and self._protocol.state is State.OPEN and not self.hub.join(self):
            self.close()
        if self._protocol.close_expected() and self._transport is not None:
            self._transport.close()

    def _greet(self, request: Request) -> None:
        path = request.path.partition("?")[0]
        if path in PATHS:
            response = self._protocol.accept(request)
            self._joined = response.status_code == HTTPStatus.SWITCHING_PROTOCOLS
        else:
            response = self._protocol.reject(
                HTTPStatus.NOT_FOUND, f"there are {' and '.join(PATHS)}\n"
            )
        self._wire = path == "/wire"
        if self._wire:
            self.mailbox = Mailbox(counted=Kind.WIRE)
        self._protocol.send_response(response)
        self._patience.cancel()

    def _give_up(self) -> None:
        self.abort()
