"""The socket of the screens: beats of live data, each within 40 ms of its samples.

A beat holds all points since the last one and goes to everybody as the same
text.  A browser that does not say that it has drawn what it got (asleep, slow,
gone) is sent no more, so nothing piles up anywhere; when it wakes it gets the
latest window at once.  A beat goes out at least five times a second even when
the box is silent, so that the page can tell a dead server from a still arm.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

from starlette.websockets import WebSocket, WebSocketDisconnect

from steelyard.screen.live.feed import Feed
from steelyard.screen.live.points import Point

BEAT_SECONDS: Final = 1.0 / 30.0
IDLE_SECONDS: Final = 0.2
UNSEEN_LIMIT: Final = 8
"""Beats that may be on their way unseen before a browser counts as asleep."""
WINDOW_POINTS: Final = 600
MESSAGE_LIMIT: Final = 512
TALK_LIMIT_PER_SECOND: Final = 120
WAITING_LIMIT: Final = 40
DOOR_LIMIT: Final = 100
_LATEST: Final = float(1 << 53)

View = Callable[[], dict[str, Any]]


def point_row(point: Point) -> list[float | int | None]:
    """A point as the page reads it: microseconds, degrees, value, mark."""
    degrees = None if point.degrees is None else round(point.degrees, 2)
    value = None if point.value is None else round(point.value, 2)
    return [point.unix_us, degrees, value, int(point.mark)]


class Door:
    """All browsers that watch one box.  ``view``: what else a display shows now."""

    def __init__(self, feed: Feed, view: View) -> None:
        self._feed = feed
        self._view = view
        self._viewers: set[_Viewer] = set()
        self._number = 0
        self._told = 0
        self._told_view = ""
        self.refused_total = 0

    @property
    def viewers_total(self) -> int:
        """Browsers connected now."""
        return len(self._viewers)

    async def run(self) -> None:
        """Send beats until cancelled."""
        while True:
            began = time.monotonic()
            with suppress(TimeoutError):
                async with asyncio.timeout(IDLE_SECONDS):
                    await self._feed.heard.wait()
            self._feed.heard.clear()
            self._beat()
            await asyncio.sleep(max(0.0, BEAT_SECONDS - (time.monotonic() - began)))

    async def serve(self, socket: WebSocket) -> None:
        """Serve one browser until it goes away."""
        if len(self._viewers) >= DOOR_LIMIT:
            self.refused_total += 1
            await socket.close(1013)
            return
        await socket.accept()
        viewer = _Viewer(socket)
        self._viewers.add(viewer)
        sending = asyncio.ensure_future(viewer.send_all())
        try:
            self._resync(viewer)
            await viewer.listen(self._resync)
        except WebSocketDisconnect:
            pass
        finally:
            self._viewers.discard(viewer)
            sending.cancel()
            with suppress(asyncio.CancelledError, WebSocketDisconnect, RuntimeError):
                await sending
            with suppress(RuntimeError, WebSocketDisconnect):
                await socket.close()

    def _beat(self) -> None:
        self._number += 1
        points = self._feed.track.after(self._told, WINDOW_POINTS)
        last = self._feed.track.last
        self._told = last.number if last else 0
        if not self._viewers:
            return
        view = json.dumps(self._view(), separators=(",", ":"))
        text = self._text(points, "" if view == self._told_view else view)
        self._told_view = view
        for viewer in self._viewers:
            viewer.offer_beat(self._number, text)

    def _resync(self, viewer: _Viewer) -> None:
        """Send everything that is needed to begin, whatever was sent before."""
        view = json.dumps(self._view(), separators=(",", ":"))
        viewer.offer(self._text(self._feed.track.after(0, WINDOW_POINTS), view, whole=True))

    def _text(self, points: list[Point], view: str, whole: bool = False) -> str:
        """A beat; ``view`` (JSON) only when it is another than before."""
        feed = self._feed
        live = feed.live
        beat = json.dumps(
            {
                "type": "beat",
                "number": self._number,
                "whole": whole,
                "server_us": time.time_ns() // 1000,
                "live": live,
                "why": feed.why_not_live,
                "age_ms": min(99_999, round(feed.age_seconds * 1000))
                if len(feed.track)
                else 99_999,
                "points": [point_row(point) for point in points],
            },
            separators=(",", ":"),
        )
        return f'{beat[:-1]},"view":{view}}}' if view else beat


class _Viewer:
    """One browser."""

    def __init__(self, socket: WebSocket) -> None:
        self._socket = socket
        self._waiting: asyncio.Queue[str] = asyncio.Queue()
        self._sent = 0
        self._seen = 0
        self._asleep = False
        self._talk_second = 0
        self._talk = 0

    def offer(self, text: str) -> None:
        """Send this, whatever else."""
        self._waiting.put_nowait(text)

    def offer_beat(self, number: int, text: str) -> None:
        """Send a beat, unless the browser does not keep up."""
        if self._seen and number - self._seen > UNSEEN_LIMIT:
            self._asleep = True
        if self._waiting.qsize() >= UNSEEN_LIMIT:
            self._asleep = True  # what is left out is made up for when it says that it has seen
        if not self._asleep:
            self._seen = self._seen or number - 1
            self._waiting.put_nowait(text)

    async def send_all(self) -> None:
        """Send what is offered, in order, as fast as the other end takes it."""
        while True:
            await self._socket.send_text(await self._waiting.get())

    async def listen(self, resync: Callable[[_Viewer], None]) -> None:
        """Take what the browser says, clock questions and what it has drawn, until it is gone.

        Whoever says too much, or nonsense at length, is sent away.
        """
        while True:
            packet = await self._socket.receive()
            if packet["type"] != "websocket.receive":
                return
            text = packet.get("text") or ""
            if not 0 < len(text) <= MESSAGE_LIMIT or not self._within_allowance():
                await self._socket.close(1008)
                return
            message = _understood(text)
            if "clock" in message:
                now_us = time.time_ns() // 1000
                self.offer(
                    json.dumps({"type": "clock", "clock": message["clock"], "at_us": now_us})
                )
            seen = message.get("seen")
            if isinstance(seen, int) and 0 <= seen < 1 << 53:
                self._seen = max(self._seen, seen)
                if self._asleep:
                    self._asleep = False
                    resync(self)

    def _within_allowance(self) -> bool:
        second = int(time.monotonic())
        if second != self._talk_second:
            self._talk_second, self._talk = second, 0
        self._talk += 1
        return self._talk <= TALK_LIMIT_PER_SECOND and self._waiting.qsize() < WAITING_LIMIT


def _understood(text: str) -> dict[str, Any]:
    try:
        message = json.loads(text)
    except ValueError:
        return {}
    if not isinstance(message, dict):
        return {}
    clock = message.get("clock")
    if clock is not None and not _is_moment(clock):
        return {}
    return message


def _is_moment(clock: object) -> bool:
    """A finite number; whole ones of any length are JSON, too, and are no time."""
    return isinstance(clock, (int, float)) and -_LATEST < clock < _LATEST
