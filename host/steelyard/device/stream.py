"""What one box sends on one open port: read, decoded, counted and kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from steelyard_protocol.codec import UnknownMessage
from steelyard_protocol.decoder import CorruptFrame, Gap, Message, StreamDecoder
from steelyard_protocol.records import Record

from steelyard.transport import Transport


class Reboot(NamedTuple):
    """The box has started anew behind the open link.

    ``offset`` is that of the first frame of the new boot.  It does not stream
    until it is told to again; its clock and its numbering started afresh.
    """

    offset: int
    former_boot_id: int
    boot_id: int


BoxEvent = Message | CorruptFrame | Gap | Reboot


class Poll(NamedTuple):
    """What came from the box: its bytes, untouched, and what they say.

    ``raw`` may end within a frame.  Every frame that ends in it is among
    ``events``, answers to requests too; offsets count bytes since the session
    began.
    """

    raw: bytes
    events: list[BoxEvent]


@dataclass
class StreamCounters:
    """What a session has seen so far."""

    bytes_total: int = 0
    messages_total: int = 0
    corrupt_frames_total: int = 0
    gaps_total: int = 0
    missing_total: int = 0
    """Samples and events lost in those gaps."""
    unknown_messages_total: int = 0
    reboots_total: int = 0
    retries_total: int = 0
    """Requests sent again because no answer came in time."""


class BoxStream:
    """Reads a port and keeps everything until it is polled.

    Why apart from the requests: a request that waits for its answer reads the
    same port, and nothing that arrives meanwhile may be lost.
    """

    def __init__(self, transport: Transport) -> None:
        self.transport = transport
        self.counters = StreamCounters()
        self.boot_id: int | None = None
        self._decoder = StreamDecoder()
        self._raw: list[bytes] = []
        self._events: list[BoxEvent] = []

    @property
    def kept_start(self) -> bytes:
        """The first bytes that are kept, for saying what came instead of frames."""
        return b"".join(self._raw[:8])[:40]

    def poll(self, timeout_seconds: float) -> Poll:
        """Return what has come, waiting for something at most so long.

        Raises:
            DeviceDisconnectedError: the link is gone, and all that came before
                was returned already.
        """
        if not self._raw:
            self.receive(timeout_seconds)
        return self.drain()

    def drain(self) -> Poll:
        """Return what is kept, without reading; for use after an error, too."""
        poll = Poll(b"".join(self._raw), self._events)
        self._raw, self._events = [], []
        return poll

    def receive(self, timeout_seconds: float) -> list[Record]:
        """Read once; keep what came for `poll`, and return the records in it."""
        data = self.transport.read(timeout_seconds)
        if not data:
            return []
        self._raw.append(data)
        self.counters.bytes_total += len(data)
        received: list[Record] = []
        for event in self._decoder.feed(data):
            if not isinstance(event, Message):
                self._count_trouble(event)
            elif isinstance(event.record, UnknownMessage):
                self.counters.messages_total += 1
                self.counters.unknown_messages_total += 1
            else:
                self.counters.messages_total += 1
                self._follow_boot(event.record, event.offset)
                received.append(event.record)
            self._events.append(event)
        return received

    def _count_trouble(self, event: CorruptFrame | Gap) -> None:
        counters = self.counters
        if isinstance(event, CorruptFrame):
            counters.corrupt_frames_total += 1
        else:
            counters.gaps_total += 1
            counters.missing_total += event.missing

    def _follow_boot(self, record: Record, offset: int) -> None:
        boot_id: int | None = getattr(record, "boot_id", None)
        if boot_id is None or boot_id == self.boot_id:
            return
        if self.boot_id is not None:
            self._events.append(Reboot(offset, self.boot_id, boot_id))
            self.counters.reboots_total += 1
        self.boot_id = boot_id
