"""Listens to the process that holds the box, and keeps listening.

The stream is the one that any other program gets: JSON lines over TCP on the
loopback.  When it breaks off it is opened again by itself; meanwhile the
screens say NOT LIVE and why.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final

from steelyard.screen.live.points import PointMaker, Track

LINE_LIMIT_BYTES: Final = 1 << 20
RETRY_SECONDS: Final = 0.25
SILENT_SECONDS: Final = 5.0
"""A stream without a line for so long is dead: it has a status message every second."""
UNREADABLE: Final = (
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    ArithmeticError,
    RecursionError,
)
"""What reading a message raises that is none."""
STALE_SECONDS: Final = 0.4
"""Older than this is not live.  The promise is half a second on the screen."""


@dataclass
class FeedState:
    """What is known about the stream now; plain data for the pages."""

    connected: bool = False
    box_live: bool = False
    reason: str = "the screen server is starting"
    metadata: dict[str, Any] = field(default_factory=dict)
    status: dict[str, Any] = field(default_factory=dict)
    channels: dict[int, dict[str, Any]] = field(default_factory=dict)
    """Latest sample of each channel."""
    recording: dict[str, Any] = field(default_factory=dict)
    samples_missed_total: int = 0
    openings_total: int = 0


class Feed:
    """One box's stream, as the screens see it.

    ``heard`` is set whenever points came; ``changed`` is called when anything
    but samples did.
    """

    def __init__(self, maker: PointMaker, address: Callable[[], tuple[str, int] | None]) -> None:
        """``address``: where the stream is now; None: nowhere yet."""
        self.track = Track()
        self.state = FeedState()
        self.heard = asyncio.Event()
        self.changed: list[Callable[[str], None]] = []
        self._maker = maker
        self._address = address
        self._heard_seconds = float("-inf")

    @property
    def age_seconds(self) -> float:
        """Time since the last sample came, by this computer's clock."""
        return time.monotonic() - self._heard_seconds

    @property
    def live(self) -> bool:
        """Whether what is shown is the present."""
        state = self.state
        return state.connected and state.box_live and self.age_seconds < STALE_SECONDS

    @property
    def why_not_live(self) -> str:
        """A few words for people; empty when live."""
        if self.live:
            return ""
        return self.state.reason or "no samples come from the box"

    async def run(self) -> None:
        """Listen until cancelled."""
        while True:
            address = self._address()
            if address is not None:
                with suppress(OSError, asyncio.TimeoutError, ValueError):
                    await self._listen(*address)
            self._lost()
            await asyncio.sleep(RETRY_SECONDS)

    async def _listen(self, host: str, number: int) -> None:
        async with asyncio.timeout(SILENT_SECONDS):
            reader, writer = await asyncio.open_connection(host, number, limit=LINE_LIMIT_BYTES)
        self.state.connected = True
        self.state.openings_total += 1
        try:
            while True:
                async with asyncio.timeout(SILENT_SECONDS):
                    line = await reader.readline()
                if not line:
                    return
                self._take(line)
        finally:
            writer.close()

    def _lost(self) -> None:
        if self.state.connected:
            self.state.connected = self.state.box_live = False
            self.state.reason = "the process that holds the box does not answer"
            self._tell("link")

    def _take(self, line: bytes) -> None:
        """Raises ValueError when this is no message of a broker, so something else serves there."""
        try:
            kind = self._note(json.loads(line))
        except UNREADABLE as error:
            raise ValueError("no message of a broker") from error
        if kind != "samples":
            self._tell(kind)

    def _note(self, message: dict[str, Any]) -> str:
        kind: str = message["type"]
        if kind == "samples":
            self._take_samples(message["samples"])
        elif kind == "metadata":
            self.state.metadata = message
        elif kind == "link":
            self.state.box_live, self.state.reason = message["live"], message["reason"]
        elif kind == "status":
            self.state.status = message
        elif kind == "recording":
            self.state.recording = message
        elif kind == "loss":
            self.state.samples_missed_total += message["samples_missed"]
        return kind

    def _take_samples(self, samples: list[dict[str, Any]]) -> None:
        self._heard_seconds = time.monotonic()
        now_unix_us = time.time_ns() // 1000
        for sample in samples:
            self.state.channels[sample["channel"]] = sample
            point = self._maker.point(sample, now_unix_us)
            if point is not None:
                self.track.add(point)
        self.heard.set()

    def _tell(self, kind: str) -> None:
        for tell in self.changed:
            tell(kind)
