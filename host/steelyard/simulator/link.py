"""The cable between a virtual box and its host: room for whole slots, delay, loss."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable
from typing import Final

from .clock import VirtualClock

SLOT_BYTES: Final = 32
FIFO_BYTES: Final = 256
"""The box's transmit buffer: what MicroPython's USB serial port has on an RP2040."""
SYSTEM_BUFFER_BYTES: Final = 65536
"""What the host's system holds for a program that does not read (common practice,
no source: tens of kilobytes)."""
TRANSFER_US: Final = 150
"""From the box's buffer to the host: USB asks every few hundred microseconds."""
REQUEST_US: Final = (150, 900)
"""From the host to the box: within about one 1 ms USB frame."""


class VirtualLink:
    """Both ends of the cable.

    The box's end never waits: ``read_byte``, ``has_room``, ``write_slot``.
    The host's end: ``send``, ``take``.  ``connected`` False: the cable is out;
    ``host_takes`` False: the host's system leaves the bytes in the box.
    """

    def __init__(self, clock: VirtualClock, source: random.Random) -> None:
        self.connected = True
        self.host_takes = True
        self.corrupted_total = 0
        self.sent_total = 0
        self.connections_total = 1
        self._clock = clock
        self._source = source
        self._fifo = bytearray()
        self._to_host = bytearray()
        self._to_box: deque[int] = deque()
        self._transfer_planned = False
        self._corrupt_rate = 0.0
        self._until_corrupt = 0

    # --- the box's end -------------------------------------------------------------------

    def read_byte(self) -> int:
        """Return the next byte from the host, or -1."""
        return self._to_box.popleft() if self._to_box else -1

    def has_room(self) -> bool:
        """Whether a whole slot can be written now."""
        return self.connected and len(self._fifo) + SLOT_BYTES <= FIFO_BYTES

    def write_slot(self, slot: bytes | bytearray | memoryview) -> None:
        """Write one slot; only after ``has_room``."""
        self._fifo += slot
        self.sent_total += len(slot)
        if not self._transfer_planned:
            self._transfer_planned = True
            self._clock.schedule_at(self._clock.now_us + TRANSFER_US, self._transfer)

    def restart(self) -> None:
        """Forget what is on the box's side, as a reset of the processor does."""
        self._fifo.clear()
        self._to_box.clear()

    # --- the host's end --------------------------------------------------------------------

    @property
    def waiting(self) -> int:
        """Bytes that the host could take now."""
        return len(self._to_host)

    def take(self) -> bytes:
        """Take all bytes that have arrived at the host."""
        data = bytes(self._to_host)
        self._to_host.clear()
        return data

    def send(self, data: bytes) -> None:
        """Send bytes to the box; they arrive a little later, in order."""
        delay_us = self._source.randint(*REQUEST_US)
        self._clock.schedule_at(self._clock.now_us + delay_us, self._arrival(data))

    def _arrival(self, data: bytes) -> Callable[[], None]:
        connection = self.connections_total

        def arrive() -> None:
            if self.connected and connection == self.connections_total:
                self._to_box.extend(data)

        return arrive

    # --- faults ------------------------------------------------------------------------------

    def connect(self, connected: bool) -> None:
        """Put the cable in or take it out.

        What had not reached the host is lost; what had can still be taken.
        """
        self.connected = connected
        self.connections_total += connected
        self.restart()

    def discard(self) -> None:
        """Drop what waits for the host, as a system does when a port is opened."""
        self._to_host.clear()

    def corrupt(self, rate: float) -> None:
        """Spoil this share of the bytes to the host from now on; 0: none."""
        self._corrupt_rate = rate
        self._until_corrupt = self._draw_distance()

    def _transfer(self) -> None:
        self._transfer_planned = False
        room = SYSTEM_BUFFER_BYTES - len(self._to_host)
        if not self._fifo or not self.connected:
            return
        if not self.host_takes or room < len(self._fifo):
            self._transfer_planned = True
            self._clock.schedule_at(self._clock.now_us + 1000, self._transfer)
            return
        if self._corrupt_rate:
            self._spoil(self._fifo)
        self._to_host += self._fifo
        self._fifo.clear()

    def _draw_distance(self) -> int:
        """Bytes until the next spoiled one."""
        if not self._corrupt_rate:
            return 0
        return int(self._source.expovariate(self._corrupt_rate))

    def _spoil(self, data: bytearray) -> None:
        position = self._until_corrupt
        while position < len(data):
            data[position] ^= self._source.randint(1, 255)
            self.corrupted_total += 1
            position += 1 + self._draw_distance()
        self._until_corrupt = position - len(data)
