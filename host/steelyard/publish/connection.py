"""One consumer's TCP connection: what is common to JSON lines and WebSocket.

The transport holds at most `WRITE_BUFFER_BYTES`; when the other end does not
read, messages wait in a bounded mailbox and the oldest are dropped and
reported.  A consumer that takes not a byte for `DEAD_SECONDS` is disconnected,
which also ends connections whose other end has vanished: there is a status
message every second, so an idle connection does not exist.
"""

from __future__ import annotations

import asyncio
import socket
from contextlib import suppress
from typing import Final

from steelyard.publish.allowance import Allowance
from steelyard.publish.bulletin import Bulletin
from steelyard.publish.hub import CONSUMER_LIMIT, Hub
from steelyard.publish.mailbox import Mailbox

WRITE_BUFFER_BYTES: Final = 16 * 1024
SYSTEM_BUFFER_BYTES: Final = 32 * 1024
"""Why set at all: left alone, Linux keeps up to 4 MB for a slow reader, who would
then be shown the load of half a minute ago."""
DEAD_SECONDS: Final = 30.0
CONNECTION_LIMIT: Final = CONSUMER_LIMIT + 50
"""Some more than consumers: those that have not said yet what they want."""
FAREWELL_SECONDS: Final = 1.0


class Doorkeeper:
    """Knows every connection, those included that have not joined."""

    def __init__(self) -> None:
        self._inside: set[Connection] = set()

    def enter(self, connection: Connection) -> bool:
        """Take note of a connection; False: there are too many."""
        if len(self._inside) >= CONNECTION_LIMIT:
            return False
        self._inside.add(connection)
        return True

    def leave(self, connection: Connection) -> None:
        """Forget a connection; harmless when it is not known."""
        self._inside.discard(connection)

    async def clear(self) -> None:
        """Give everybody a second to take what is left, then end all connections."""
        end = asyncio.get_running_loop().time() + FAREWELL_SECONDS
        for connection in tuple(self._inside):
            connection.close()
        while self._inside and asyncio.get_running_loop().time() < end:
            await asyncio.sleep(0.01)
        for connection in tuple(self._inside):
            connection.abort()
        await asyncio.sleep(0)


class Connection(asyncio.Protocol):
    """Base of the two kinds; they say what they send and what they make of input."""

    def __init__(self, hub: Hub, doorkeeper: Doorkeeper) -> None:
        self.hub = hub
        self._doorkeeper = doorkeeper
        self.loop = asyncio.get_running_loop()
        self.allowance = Allowance(self.loop.time())
        self.mailbox = Mailbox()
        self._transport: asyncio.Transport | None = None
        self._paused = False
        self._death: asyncio.TimerHandle | None = None

    # --- for the two kinds ----------------------------------------------------

    def wanted(self, bulletin: Bulletin) -> bool:
        """Whether this consumer gets messages of this kind."""
        raise NotImplementedError

    def encoded(self, bulletin: Bulletin) -> bytes:
        """The message as bytes for this consumer."""
        raise NotImplementedError

    def heard(self, data: bytes) -> None:
        """The consumer said something, within its allowance."""

    def begun(self) -> None:
        """The connection stands."""

    def farewell(self) -> bytes:
        """Last bytes to send."""
        return b""

    # --- the hub's side ---------------------------------------------------------

    def deliver(self, bulletin: Bulletin) -> None:
        """Send a message, or keep it while the other end does not read."""
        if self._transport is None or self._transport.is_closing() or not self.wanted(bulletin):
            return
        if self._paused:
            self.mailbox.offer(bulletin)
        else:
            self._transport.write(self.encoded(bulletin))

    def close(self) -> None:
        """Say good-bye and end the connection."""
        if self._transport is not None and not self._transport.is_closing():
            self.write(self.farewell())
            self._transport.close()

    def write(self, data: bytes) -> None:
        """Send bytes that are not a message."""
        if self._transport is not None and data:
            self._transport.write(data)

    def abort(self) -> None:
        """End the connection at once."""
        if self._transport is not None:
            self._transport.abort()

    # --- the network's side -----------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Set the bounds and begin."""
        if not isinstance(transport, asyncio.Transport):
            raise TypeError(f"{transport!r} is no stream")
        if not self._doorkeeper.enter(self):
            transport.abort()
            return
        self._transport = transport
        transport.set_write_buffer_limits(high=WRITE_BUFFER_BYTES, low=0)
        link = transport.get_extra_info("socket")
        if link is not None:
            with suppress(OSError):
                link.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SYSTEM_BUFFER_BYTES)
                link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.begun()

    def data_received(self, data: bytes) -> None:
        """Listen, within bounds; whoever talks too much is cut off."""
        if self.allowance.spend(len(data), self.loop.time()):
            self.heard(data)
        else:
            self.abort()

    def pause_writing(self) -> None:
        """The other end does not keep up."""
        self._paused = True
        self._watch_for_life()

    def resume_writing(self) -> None:
        """The other end has taken everything: send what waits, until it lags again."""
        self._paused = False
        if self._death is not None:
            self._death.cancel()
        while not self._paused and self._transport is not None:
            taken = self.mailbox.take(WRITE_BUFFER_BYTES)
            if not taken:
                return
            self._transport.write(b"".join(map(self.encoded, taken)))

    def _watch_for_life(self) -> None:
        if self._transport is not None:
            left = self._transport.get_write_buffer_size()
            self._death = self.loop.call_later(DEAD_SECONDS, self._check_life, left)

    def _check_life(self, left_before: int) -> None:
        if self._transport is None or not self._paused:
            return
        if self._transport.get_write_buffer_size() >= left_before:
            self.abort()
        else:
            self._watch_for_life()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget everything about it."""
        self._transport = None
        if self._death is not None:
            self._death.cancel()
        self.hub.leave(self)
        self._doorkeeper.leave(self)
