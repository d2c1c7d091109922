"""A thread that empties a port, so that nothing is lost while its user is busy.

Why: an operating system keeps only some 4 KB for a serial port, a third of a
second of stream.  A recorder that waits longer than that for its disk would
make the box drop samples.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Final

from steelyard.errors import DeviceDisconnectedError, DeviceError, PortNameError
from steelyard.transport.opening import open_transport
from steelyard.transport.port import ClosesItself, Transport, WallClock

QUEUE_BYTES: Final = 4 << 20
"""About five minutes of stream."""
_WAIT_SECONDS: Final = 0.1
"""How often the thread looks whether it should end."""


class ReadAheadTransport(ClosesItself):
    """A port in real time, read by a thread of its own.

    Holds back at most ``queue_bytes``; then the thread stops reading, the port
    fills up, and the box drops samples and counts them: lost, but never silently.

    Raises PortNameError for a port with a virtual clock, which must be read by
    one thread in step with that clock.
    """

    def __init__(self, port: Transport, queue_bytes: int = QUEUE_BYTES) -> None:
        if not isinstance(port.clock, WallClock):
            raise PortNameError(
                f"{port.description} has a clock of its own and cannot be read ahead.",
                "Read it directly.",
            )
        self.description = port.description
        self.clock = port.clock
        self._port = port
        self._queue_bytes = queue_bytes
        self._chunks: deque[bytes] = deque()
        self._held_bytes = 0
        self._high_water_bytes = 0
        self._error: DeviceError | None = None
        self._closing = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(
            target=self._run, name=f"steelyard reader {port.description}", daemon=True
        )
        self._thread.start()

    @property
    def high_water_bytes(self) -> int:
        """Most bytes that ever waited for `read`."""
        return self._high_water_bytes

    def read(self, timeout_seconds: float) -> bytes:
        """Return all that has come; what came before a lost link comes before its error."""
        with self._changed:
            self._changed.wait_for(self._ready, timeout_seconds)
            if self._chunks:
                data = b"".join(self._chunks)
                self._chunks.clear()
                self._held_bytes = 0
                self._changed.notify_all()
                return data
            if self._closing:
                raise DeviceDisconnectedError(f"{self.description} was closed.")
            if self._error is not None:
                raise self._error
            return b""

    def write(self, data: bytes) -> None:
        """Send all of ``data``, from the calling thread."""
        self._port.write(data)

    def close(self) -> None:
        """End the thread and give the port back."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        if threading.current_thread() is not self._thread:
            self._thread.join()
        self._port.close()

    def _ready(self) -> bool:
        return bool(self._chunks) or self._error is not None or self._closing

    def _has_room(self) -> bool:
        return self._held_bytes < self._queue_bytes or self._closing

    def _run(self) -> None:
        while not self._closing:
            try:
                data = self._port.read(_WAIT_SECONDS)
            except DeviceError as error:
                with self._changed:
                    self._error = error
                    self._changed.notify_all()
                return
            if data:
                self._keep(data)

    def _keep(self, data: bytes) -> None:
        with self._changed:
            self._chunks.append(data)
            self._held_bytes += len(data)
            self._high_water_bytes = max(self._high_water_bytes, self._held_bytes)
            self._changed.notify_all()
            self._changed.wait_for(self._has_room)


def open_read_ahead(port: str) -> Transport:
    """Open ``port`` as `open_transport` does, read ahead where the port allows it.

    Serial ports and sockets do; the virtual box and recordings played back lose
    nothing anyhow, because they wait for their reader.
    """
    opened = open_transport(port)
    return ReadAheadTransport(opened) if isinstance(opened.clock, WallClock) else opened
