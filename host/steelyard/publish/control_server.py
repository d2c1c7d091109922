"""The door through which one program on this computer directs the broker.

TCP on the loopback, one JSON object a line.  The first line holds the token,
``{"token": "..."}``; whoever has another one is cut off without a word.  After
that each request is answered, in order, by a line with the same ``id``.

Why not HTTP: a browser lets any web page send requests to localhost, and
cannot be made to send such a first line.
"""

from __future__ import annotations

import asyncio
import hmac
import json
from collections.abc import Awaitable, Callable
from typing import Any, Final

from steelyard.errors import AddressError, ControlError
from steelyard.publish.addresses import LOOPBACK

TOKEN_LEAST_LETTERS: Final = 16
GREETING_BYTES: Final = 1024
GREETING_SECONDS: Final = 5.0
REQUEST_BYTES: Final = 4 << 20
"""Room for the texts that go into a recording: calibrations, profile, notes."""
WAITING_REQUESTS: Final = 32
UNREAD_ANSWER_BYTES: Final = 1 << 20
CONNECTION_LIMIT: Final = 8

Answer = Callable[[object], Awaitable[dict[str, Any]]]


def checked_token(token: str) -> str:
    """A token that is worth the name.

    Raises:
        ControlError: it is too short.
    """
    if len(token) < TOKEN_LEAST_LETTERS:
        raise ControlError(
            f"The token has {len(token)} letters; {TOKEN_LEAST_LETTERS} are the least.",
            "Set STEELYARD_CONTROL_TOKEN to something long that nobody can guess.",
        )
    return token


class ControlServer:
    """Serves the door; ``answer`` carries one request out and never raises."""

    def __init__(self, token: str, answer: Answer) -> None:
        """Raises ControlError when the token is too short."""
        self._token = checked_token(token).encode("utf-8")
        self._answer = answer
        self._server: asyncio.Server | None = None
        self._connections: set[_Connection] = set()
        self.address: tuple[str, int] | None = None

    @property
    def attended(self) -> bool:
        """Whether anybody with the token is connected."""
        return any(connection.is_trusted for connection in self._connections)

    async def open(self, number: int) -> None:
        """Serve on a TCP port; 0: any free one.

        Raises:
            AddressError: it cannot be served.
        """
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(
                lambda: _Connection(self._token, self._answer, self._connections), LOOPBACK, number
            )
        except OSError as error:
            raise AddressError(
                f"Port {number} on {LOOPBACK} cannot be served ({error.strerror or error}).",
                "Another broker may hold it: give another port, or 0 for any free one.",
            ) from error
        host, found = self._server.sockets[0].getsockname()[:2]
        self.address = (str(host), int(found))

    async def until_left(self, seconds: float, is_busy: Callable[[], bool]) -> None:
        """Wait until nobody has been here for so long, ``is_busy`` being false all the time."""
        loop = asyncio.get_running_loop()
        since = loop.time()
        while loop.time() - since < seconds:
            await asyncio.sleep(min(0.5, seconds / 4))
            if self.attended or is_busy():
                since = loop.time()

    async def close(self) -> None:
        """End every connection, once requests under way are answered."""
        if self._server is None:
            return
        self._server.close()
        await asyncio.gather(*(connection.finish() for connection in tuple(self._connections)))
        await self._server.wait_closed()


class _Connection(asyncio.Protocol):
    def __init__(self, token: bytes, answer: Answer, inside: set[_Connection]) -> None:
        self.is_trusted = False
        self._token = token
        self._answer = answer
        self._inside = inside
        self._received = bytearray()
        self._requests: asyncio.Queue[bytes | None] = asyncio.Queue()
        self._transport: asyncio.Transport | None = None
        self._patience: asyncio.TimerHandle | None = None
        self._work: asyncio.Task[None] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        if not isinstance(transport, asyncio.Transport):
            raise TypeError(f"{transport!r} is no stream")
        if len(self._inside) >= CONNECTION_LIMIT:
            transport.abort()
            return
        self._transport = transport
        self._inside.add(self)
        loop = asyncio.get_running_loop()
        self._patience = loop.call_later(GREETING_SECONDS, self._abort)

    def data_received(self, data: bytes) -> None:
        self._received += data
        while (end := self._received.find(b"\n")) >= 0:
            line = bytes(self._received[:end])
            del self._received[: end + 1]
            if not self._take(line):
                self._abort()
                return
        if len(self._received) > (REQUEST_BYTES if self.is_trusted else GREETING_BYTES):
            self._abort()

    def connection_lost(self, exc: Exception | None) -> None:
        self._inside.discard(self)
        self._transport = None
        self._requests.put_nowait(None)
        if self._patience is not None:
            self._patience.cancel()

    async def finish(self) -> None:
        """Answer what was asked, then end."""
        self._requests.put_nowait(None)
        if self._work is not None:
            await self._work
        if self._transport is not None:
            self._transport.close()

    def _take(self, line: bytes) -> bool:
        """Greeting or request; False: this one is cut off."""
        if self.is_trusted:
            self._requests.put_nowait(line)
            return self._requests.qsize() <= WAITING_REQUESTS and len(line) <= REQUEST_BYTES
        if len(line) > GREETING_BYTES or not self._knows_token(line):
            return False
        self.is_trusted = True
        if self._patience is not None:
            self._patience.cancel()
        self._work = asyncio.get_running_loop().create_task(self._serve())
        self._write({"id": None, "done": True})
        return True

    def _knows_token(self, line: bytes) -> bool:
        greeting = _parsed(line)
        token = greeting.get("token") if isinstance(greeting, dict) else None
        if not isinstance(token, str):
            return False
        return hmac.compare_digest(token.encode("utf-8", "replace"), self._token)

    async def _serve(self) -> None:
        while (line := await self._requests.get()) is not None:
            self._write(await self._answer(_parsed(line)))

    def _write(self, answer: dict[str, Any]) -> None:
        if self._transport is not None:
            text = json.dumps(answer, separators=(",", ":"), ensure_ascii=True)
            self._transport.write(text.encode("ascii") + b"\n")
            if self._transport.get_write_buffer_size() > UNREAD_ANSWER_BYTES:
                self._abort()

    def _abort(self) -> None:
        if self._transport is not None:
            self._transport.abort()


def _parsed(line: bytes) -> object:
    try:
        return json.loads(line)
    except (ValueError, RecursionError):
        return None
