"""One box, offered to any number of programs; one process for each box.

::

    box ── read-ahead thread ── Acquisition (thread) ─┬─ recording (thread)
                                                      └─ Hub ─┬─ JSON lines over TCP
                                                              ├─ WebSocket
                                                              ├─ MQTT (thread)
                                                              └─ LSL

Every arrow to the right is a bounded queue; those to consumers drop their oldest
and say so, that to the recording holds half an hour.  Nothing on the right can
make anything on the left wait, and the recording comes before everybody else.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from steelyard.errors import AddressError, MissingExtraError, PublishError
from steelyard.publish.acquisition import Acquisition, BoxSource
from steelyard.publish.addresses import LOOPBACK
from steelyard.publish.connection import Connection, Doorkeeper
from steelyard.publish.hub import Consumer, Hub
from steelyard.publish.line_server import LineConnection
from steelyard.publish.recording_desk import RecordingDesk

LINE_PORT: Final = 5391
SOCKET_PORT: Final = 5392
_BACKLOG: Final = 64


@dataclass(frozen=True)
class Servers:
    """What to serve where.  Port number 0: any free one; None: not at all."""

    host: str = LOOPBACK
    line_port: int | None = LINE_PORT
    socket_port: int | None = SOCKET_PORT
    origins: tuple[str, ...] = ()
    """Web pages, besides those of this computer, that may open the WebSocket."""


class Broker:
    """The whole of it, in a running event loop.

    ``async with Broker(...)``; ``line_address`` and ``socket_address`` say
    where it serves.
    """

    def __init__(
        self,
        source: BoxSource,
        servers: Servers,
        consumers: Sequence[Callable[[bytes], Consumer]] = (),
        recordings: Path | None = None,
    ) -> None:
        """``consumers``: makers of further consumers, each called with the box id.

        ``recordings``: the folder for recordings; None: none can be made.
        """
        self._recordings = recordings
        self.source = source
        self._servers = servers
        self._makers = consumers
        self._listening: list[asyncio.Server] = []
        self._doorkeeper = Doorkeeper()
        self.hub = Hub(asyncio.get_running_loop())
        self.acquisition: Acquisition | None = None
        self.desk: RecordingDesk | None = None
        self.line_address: tuple[str, int] | None = None
        self.socket_address: tuple[str, int] | None = None

    async def __aenter__(self) -> Broker:
        """Open the box, then the doors.

        Raises:
            DeviceError, ProtocolError, WrongBoxError: see `Acquisition`.
            PublishError: an address cannot be served, or a library is missing.
        """
        try:
            self.acquisition = await asyncio.to_thread(Acquisition, self.source, self.hub.post)
            self.desk = RecordingDesk(self.acquisition, self._recordings)
            await self._open_doors()
            for make in self._makers:
                self.hub.join(make(self.acquisition.box_id))
            self.acquisition.start()
        except BaseException:
            await self.aclose()
            raise
        return self

    async def __aexit__(self, *exception: object) -> None:
        """Close everything."""
        await self.aclose()

    async def run(self, seconds: float | None = None) -> None:
        """Serve for a time, or until cancelled.

        Raises:
            PublishError: listening to the box failed for a reason that is not
                the box's; the broker is of no more use.  A recording under way
                is first recorded to its end.
        """
        loop = asyncio.get_running_loop()
        end = None if seconds is None else loop.time() + seconds
        while end is None or loop.time() < end:
            await asyncio.sleep(0.2 if end is None else max(0.0, min(0.2, end - loop.time())))
            failure = self.acquisition.failure if self.acquisition else None
            if failure is not None and not (self.desk and self.desk.is_busy):
                raise PublishError(
                    f"The broker can no longer listen to its box: {failure!r}.",
                    "Start it again, and report this.",
                ) from failure

    async def aclose(self) -> None:
        """Stop listening to the box, tell the consumers, close the doors."""
        for server in self._listening:
            server.close()
        if self.acquisition is not None:
            await asyncio.to_thread(self.acquisition.stop)
        if self.desk is not None:
            await self.desk.close()
        self.hub.close()
        await self._doorkeeper.clear()
        for server in self._listening:
            await server.wait_closed()
        self._listening.clear()

    async def _open_doors(self) -> None:
        servers = self._servers
        if servers.line_port is not None:
            self.line_address = await self._serve(
                servers.line_port, lambda: LineConnection(self.hub, self._doorkeeper)
            )
        if servers.socket_port is not None:
            try:
                from steelyard.publish.socket_server import SocketConnection
            except ImportError as error:
                raise MissingExtraError(
                    "The library websockets is not installed, so there is no WebSocket.",
                    "pip install 'steelyard[publish]', or leave the WebSocket off.",
                ) from error
            self.socket_address = await self._serve(
                servers.socket_port,
                lambda: SocketConnection(self.hub, self._doorkeeper, servers.origins),
            )

    async def _serve(self, number: int, make: Callable[[], Connection]) -> tuple[str, int]:
        host = self._servers.host
        try:
            server = await asyncio.get_running_loop().create_server(
                make, host, number, backlog=_BACKLOG
            )
        except OSError as error:
            raise AddressError(
                f"Port {number} on {host} cannot be served ({error.strerror or error}).",
                "Another broker may hold it: give another port, or 0 for any free one.",
            ) from error
        self._listening.append(server)
        address = server.sockets[0].getsockname()
        return str(address[0]), int(address[1])
