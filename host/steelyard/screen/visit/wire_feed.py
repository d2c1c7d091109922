"""The box's own frames, for the engine that measures: what is recorded is what it sees."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final, Protocol

from steelyard_protocol.decoder import Message, StreamDecoder

from steelyard.screen.live.feed import UNREADABLE

RETRY_SECONDS: Final = 0.25
OPEN_SECONDS: Final = 5.0
SILENT_SECONDS: Final = 5.0
MESSAGE_LIMIT_BYTES: Final = 1 << 20


class Taker(Protocol):
    """Something that measures from decoded records."""

    def feed(self, records: Sequence[object], at_seconds: float) -> None:
        """Take records in order; ``at_seconds`` is this computer's monotonic clock."""

    def lose_link(self, because: str) -> None:
        """No records come, and why."""


class Takers:
    """Several that take the same records, one after the other."""

    def __init__(self, *takers: Taker) -> None:
        self._takers = takers

    def feed(self, records: Sequence[object], at_seconds: float) -> None:
        """Give records to each."""
        for taker in self._takers:
            taker.feed(records, at_seconds)

    def lose_link(self, because: str) -> None:
        """Tell each."""
        for taker in self._takers:
            taker.lose_link(because)


class WireFeed:
    """Listens at ``/wire`` and keeps listening."""

    def __init__(self, taker: Taker, address: Callable[[], tuple[str, int] | None]) -> None:
        """``address``: where the WebSocket is now; None: nowhere yet."""
        self._taker = taker
        self._address = address
        self._decoder = StreamDecoder()

    async def run(self) -> None:
        """Listen until cancelled."""
        from websockets.exceptions import WebSocketException

        while True:
            address = self._address()
            if address is not None:
                with suppress(OSError, TimeoutError, ValueError, WebSocketException):
                    await self._listen(*address)
                self._taker.lose_link("the process that holds the box does not answer")
            await asyncio.sleep(RETRY_SECONDS)

    async def _listen(self, host: str, number: int) -> None:
        from websockets.asyncio.client import connect

        self._decoder = StreamDecoder()
        async with connect(
            f"ws://{host}:{number}/wire",
            compression=None,
            max_size=MESSAGE_LIMIT_BYTES,
            open_timeout=OPEN_SECONDS,
            ping_interval=None,  # a status message comes every second anyway
        ) as socket:
            while True:
                async with asyncio.timeout(SILENT_SECONDS):
                    message = await socket.recv()
                if isinstance(message, bytes):
                    self._take_frames(message)
                else:
                    self._take_text(message)

    def _take_frames(self, data: bytes) -> None:
        events = self._decoder.feed(data)
        records = [event.record for event in events if isinstance(event, Message)]
        if records:
            self._taker.feed(records, time.monotonic())

    def _take_text(self, text: str) -> None:
        """Raises ValueError when this is no message of a broker."""
        try:
            message = json.loads(text)
            broke_off = message["type"] == "link" and not message["live"]
            reason = str(message["reason"]) if broke_off else ""
        except UNREADABLE as error:
            raise ValueError("no message of a broker") from error
        if broke_off:
            self._taker.lose_link(reason)
