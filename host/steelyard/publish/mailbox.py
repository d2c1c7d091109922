"""A bounded queue in front of one reader: drops the oldest, and says so in the queue.

What is promised, whatever the reader does:

- never more than ``limit_bytes`` wait;
- order stays as offered;
- samples given out + samples reported as missed + samples waiting = samples offered;
- the latest metadata and link state are given out even if their first copy was dropped.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Final

from steelyard.publish.bulletin import LASTING, Bulletin, Kind, loss_bulletin

CONSUMER_LIMIT_BYTES: Final = 256 * 1024
"""Some six seconds of one box as JSON, far more as frames."""


class Mailbox:
    """The queue; safe to use from several threads."""

    def __init__(
        self,
        where: str = "consumer",
        limit_bytes: int = CONSUMER_LIMIT_BYTES,
        counted: Kind = Kind.SAMPLES,
    ) -> None:
        """``where`` names the queue in the loss messages it makes.

        ``counted``: the kind of message whose samples are counted, because every
        sample goes by twice, as JSON and as a frame.
        """
        self._counted = counted
        self._where = where
        self._limit_bytes = limit_bytes
        self._waiting: deque[Bulletin] = deque()
        self._lock = threading.Lock()
        self._held_bytes = 0
        self._missed = self._messages = 0
        self._owed: dict[Kind, Bulletin] = {}
        self.samples_missed_total = 0

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def held_bytes(self) -> int:
        """Bytes that wait."""
        return self._held_bytes

    def offer(self, bulletin: Bulletin) -> None:
        """Add a message; the oldest ones go when there is no room."""
        with self._lock:
            self._waiting.append(bulletin)
            self._held_bytes += len(bulletin.body)
            while self._held_bytes > self._limit_bytes and self._waiting:
                self._drop_oldest()

    def take(self, limit_bytes: int | None = None) -> list[Bulletin]:
        """Remove and return what waits, oldest first, after a loss message if one is due.

        At least one message when there is any; no more once ``limit_bytes`` are reached.
        """
        with self._lock:
            taken = self._loss()
            size = 0
            while self._waiting and (limit_bytes is None or size < limit_bytes):
                bulletin = self._waiting.popleft()
                self._held_bytes -= len(bulletin.body)
                size += len(bulletin.body)
                taken.append(bulletin)
            return taken

    def _drop_oldest(self) -> None:
        dropped = self._waiting.popleft()
        self._held_bytes -= len(dropped.body)
        if dropped.kind in LASTING:
            self._owed[dropped.kind] = dropped
        if dropped.kind is self._counted:
            self._missed += dropped.samples_total
            self.samples_missed_total += dropped.samples_total
        self._messages += 1

    def _loss(self) -> list[Bulletin]:
        if not self._messages:
            return []
        loss = loss_bulletin(self._where, self._missed, self._messages, self.samples_missed_total)
        owed = [self._owed[kind] for kind in LASTING if kind in self._owed]
        self._missed = self._messages = 0
        self._owed.clear()
        return [loss, *owed]
