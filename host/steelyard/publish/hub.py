"""Who gets what: one box's messages to any number of consumers.  Runs in one event loop."""

from __future__ import annotations

import asyncio
from typing import Final, Protocol

from steelyard.publish.bulletin import LASTING, Bulletin, Kind
from steelyard.publish.mailbox import Mailbox

CONSUMER_LIMIT: Final = 250
INBOX_LIMIT_BYTES: Final = 4 << 20
BURST_BYTES: Final = 64 * 1024
BURST_SECONDS: Final = 0.005
"""After the event loop stood still, what has gathered is passed on in portions.

Why: all at once would overrun the queues of consumers that do nothing wrong."""


class Consumer(Protocol):
    """Something that is given every message.  `deliver` must neither block nor raise."""

    def deliver(self, bulletin: Bulletin) -> None:
        """Take a message, or queue it, or lose it and count that."""

    def close(self) -> None:
        """The broker ends."""


class Hub:
    """Passes messages on, and keeps what a newcomer has to be told first.

    `post` may be called from any thread and never waits: between it and the
    event loop stands a bounded queue, so the thread that listens to the box
    is not held up by anything that happens here.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._inbox = Mailbox("broker", INBOX_LIMIT_BYTES)
        self._scheduled = False
        self._consumers: set[Consumer] = set()
        self._first: dict[Kind, Bulletin] = {}
        self.consumers_refused_total = 0

    @property
    def consumers(self) -> frozenset[Consumer]:
        """Who is connected."""
        return frozenset(self._consumers)

    @property
    def samples_missed_total(self) -> int:
        """Samples that the broker itself lost, for everybody."""
        return self._inbox.samples_missed_total

    def post(self, bulletin: Bulletin) -> None:
        """Take a message from the thread that listens to the box."""
        self._inbox.offer(bulletin)
        # At worst one wake-up too many; see `_pass_on` for why never one too few.
        if not self._scheduled:
            self._scheduled = True
            self._loop.call_soon_threadsafe(self._pass_on)

    def join(self, consumer: Consumer) -> bool:
        """Add a consumer and tell it what the stream is; False: there are too many."""
        if len(self._consumers) >= CONSUMER_LIMIT:
            self.consumers_refused_total += 1
            return False
        self._consumers.add(consumer)
        for kind in LASTING:
            if kind in self._first:
                consumer.deliver(self._first[kind])
        return True

    def leave(self, consumer: Consumer) -> None:
        """Forget a consumer; harmless when it is not there."""
        self._consumers.discard(consumer)

    def close(self) -> None:
        """Pass on what is left and end every connection."""
        self._give(self._inbox.take())
        for consumer in tuple(self._consumers):
            consumer.close()
        self._consumers.clear()

    def _pass_on(self) -> None:
        self._give(self._inbox.take(BURST_BYTES))
        if len(self._inbox):
            self._loop.call_later(BURST_SECONDS, self._pass_on)
            return
        self._scheduled = False
        # Something may have come just before that, whose sender relied on this call.
        if len(self._inbox) and not self._scheduled:
            self._scheduled = True
            self._loop.call_soon(self._pass_on)

    def _give(self, bulletins: list[Bulletin]) -> None:
        for bulletin in bulletins:
            if bulletin.kind in LASTING:
                self._first[bulletin.kind] = bulletin
            # A consumer may leave while it is being given something.
            for consumer in tuple(self._consumers):
                consumer.deliver(bulletin)
